// Lets a reader point at a chart and read its values, by pointer or by the arrow keys, and choose a span of time: by
// dragging with a mouse, a pen or a finger, or with the enter key at its beginning and at its end. The pictures are
// complete without it.
//
// A page calls dashboardDraw.arm() after it put new pictures in; once at load it happens by itself. Values are read
// from the paths as drawn, so nothing is sent twice. Pictures of one span of time on a page point together. They are
// written to the element whose data-readout is the picture's id, or to a line that is added below the picture. A choice
// sends the event "dr-range" from the picture, with detail {from, to} in milliseconds since 1970.
"use strict";
(function () {
	const svgNS = "http://www.w3.org/2000/svg";

	function plotOf(svg) {
		const group = svg.querySelector(".dr-plot[data-plot]");
		if (!group) {
			return null;
		}
		if (!group.drawPlot) {
			const plot = JSON.parse(group.dataset.plot);
			plot.lines = Array.from(group.querySelectorAll("path[data-name]"), (path) => ({
				name: path.dataset.name, unit: path.dataset.unit, runs: runsOf(path.getAttribute("d")),
			}));
			plot.rows = Array.from(group.querySelectorAll(".dr-row"));
			if (plot.stack) {
				plot.lines.reverse();
			}
			group.drawPlot = plot;
		}
		return group.drawPlot;
	}

	// runsOf reads what the server writes: "Mx yl dx dy dx dy ..." for each unbroken run.
	function runsOf(d) {
		return d.split("M").slice(1).map((piece) => {
			const numbers = (piece.match(/-?(?:\d+\.?\d*|\.\d+)/g) || []).map(Number);
			const run = [];
			let x = 0, y = 0;
			for (let i = 0; i + 1 < numbers.length; i += 2) {
				x += numbers[i];
				y += numbers[i + 1];
				run.push([x, y]);
			}
			return run;
		});
	}

	// heightAt returns the y of a line at x, or null where it has no data.
	function heightAt(line, x) {
		for (const run of line.runs) {
			for (let i = 1; i < run.length; i++) {
				const [x0, y0] = run[i - 1], [x1, y1] = run[i];
				if (x >= x0 && x <= x1 && x1 > x0) {
					return y0 + (y1 - y0) * (x - x0) / (x1 - x0);
				}
			}
		}
		return null;
	}

	function valuesAt(plot, x) {
		const span = plot.high - plot.low;
		const decimals = Math.min(6, Math.max(0, Math.ceil(-Math.log10(span / 200))));
		let below = plot.low;
		const words = plot.lines.map((line) => {
			const y = heightAt(line, x);
			if (y === null) {
				return line.name + ": no data";
			}
			const top = plot.low + (plot.bottom - y) / (plot.bottom - plot.top) * span;
			const value = plot.stack ? top - below : top;
			below = plot.stack ? top : below;
			return (line.name ? line.name + " " : "") + value.toFixed(decimals) + " " + line.unit;
		});
		for (const row of plot.rows) {
			let word = "no data";
			for (const part of row.querySelectorAll("[data-word]")) {
				const box = part.querySelector("rect");
				const from = Number(box.getAttribute("x"));
				if (x >= from && x < from + Number(box.getAttribute("width"))) {
					word = part.dataset.word;
				}
			}
			words.push(row.querySelector("title").textContent.slice(0, 40) + " " + word);
		}
		return words;
	}

	function clock(plot, at) {
		const form = { weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", timeZone: plot.zone };
		if (plot.to - plot.from < 6 * 3600e3) {
			form.second = "2-digit";
		}
		try {
			return new Intl.DateTimeFormat("en-GB", form).format(at);
		} catch (unknownZone) {
			return new Date(at).toISOString();
		}
	}

	function readout(svg) {
		for (const place of document.querySelectorAll("[data-readout]")) {
			if (place.dataset.readout === svg.id) {
				return place;
			}
		}
		const line = document.createElement("p");
		line.className = "dr-readout";
		line.dataset.readout = svg.id;
		svg.after(line);
		return line;
	}

	function shape(svg, name, className) {
		let part = svg.querySelector("." + className);
		if (!part) {
			part = document.createElementNS(svgNS, name);
			part.setAttribute("class", className);
			svg.append(part);
		}
		return part;
	}

	// pointTo draws the cross-hair at x in one picture, and at the same instant in every picture of the same span.
	function pointTo(svg, x, spoken) {
		const plot = plotOf(svg);
		x = Math.min(Math.max(x, plot.left), plot.right);
		const part = (x - plot.left) / (plot.right - plot.left);
		svg.drawAt = part;
		for (const other of document.querySelectorAll("svg.dr")) {
			const its = plotOf(other);
			if (!its || its.from !== plot.from || its.to !== plot.to || !other.getClientRects().length) {
				continue;
			}
			const at = its.left + part * (its.right - its.left);
			const line = shape(other, "line", "dr-cross");
			line.setAttribute("x1", at);
			line.setAttribute("x2", at);
			line.setAttribute("y1", its.top);
			line.setAttribute("y2", its.bottom);
			const place = readout(other);
			place.setAttribute("aria-live", spoken && other === svg ? "polite" : "off");
			place.textContent = clock(its, its.from + part * (its.to - its.from)) + " · " + valuesAt(its, at).join(" · ");
		}
	}

	function xOf(svg, part) {
		const plot = plotOf(svg);
		return plot.left + part * (plot.right - plot.left);
	}

	function leave() {
		for (const old of document.querySelectorAll(".dr-cross, .dr-drag")) {
			old.remove();
		}
	}

	function place(svg, event) {
		const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
		return point.x;
	}

	function pictureOf(event) {
		const svg = event.target instanceof Element ? event.target.closest("svg.dr-chart, svg.dr-strip") : null;
		return svg && plotOf(svg) ? svg : null;
	}

	let drag = null; // {svg, x, id} while a button or a finger is down
	let mark = null; // {svg, x} where the enter key was pressed

	// spread shows the span from x to another one, and returns its ends.
	function spread(svg, a, b) {
		const plot = plotOf(svg), box = shape(svg, "rect", "dr-drag");
		const from = Math.max(plot.left, Math.min(a, b)), to = Math.min(plot.right, Math.max(a, b));
		box.setAttribute("x", from);
		box.setAttribute("width", Math.max(0, to - from));
		box.setAttribute("y", plot.top);
		box.setAttribute("height", plot.bottom - plot.top);
		return [from, to];
	}

	function choose(svg, span) {
		const plot = plotOf(svg);
		const [from, to] = span.map((x) => plot.from + (x - plot.left) / (plot.right - plot.left) * (plot.to - plot.from));
		leave();
		svg.dispatchEvent(new CustomEvent("dr-range", { bubbles: true, detail: { from: Math.round(from), to: Math.round(to) } }));
	}

	document.addEventListener("pointermove", (event) => {
		if (drag && event.pointerId !== drag.id) {
			return;
		}
		const svg = drag ? drag.svg : pictureOf(event);
		if (!svg) {
			leave();
			return;
		}
		const x = place(svg, event);
		pointTo(svg, x, false);
		if (drag && Math.abs(x - drag.x) > 4) {
			drag.span = spread(svg, x, drag.x);
		}
	});

	document.addEventListener("pointerdown", (event) => {
		const svg = pictureOf(event);
		if (drag || !svg || event.button !== 0 || event.target.closest("a")) {
			return;
		}
		drag = { svg: svg, x: place(svg, event), id: event.pointerId, span: null };
		if (event.pointerType === "mouse") {
			event.preventDefault(); // no text is to be marked; a finger may still scroll up and down
		}
	});

	document.addEventListener("pointerup", (event) => {
		if (!drag || event.pointerId !== drag.id) {
			return;
		}
		const done = drag;
		drag = null;
		if (done.span) {
			choose(done.svg, done.span);
		}
	});

	// The browser takes a finger over to scroll the page: nothing was chosen.
	document.addEventListener("pointercancel", (event) => {
		if (drag && event.pointerId === drag.id) {
			drag = null;
			leave();
		}
	});

	document.addEventListener("keydown", (event) => {
		const svg = document.activeElement;
		if (!svg || !svg.matches || !svg.matches("svg.dr-chart")) {
			return;
		}
		if (event.key === "Escape") {
			mark = null;
			leave();
			return;
		}
		if (event.key === "Enter" && svg.drawAt !== undefined) {
			event.preventDefault();
			const at = xOf(svg, svg.drawAt);
			if (mark && mark.svg === svg && mark.x !== at) {
				const from = mark.x;
				mark = null;
				choose(svg, spread(svg, from, at));
			} else {
				mark = { svg: svg, x: at };
			}
			return;
		}
		if (event.shiftKey || event.ctrlKey || event.altKey || event.metaKey) {
			return; // the page's own
		}
		const step = { ArrowLeft: -0.01, ArrowRight: 0.01, PageUp: -0.1, PageDown: 0.1 }[event.key];
		const plot = plotOf(svg);
		if (!step || !plot) {
			return;
		}
		event.preventDefault();
		const part = (svg.drawAt === undefined ? 0.5 : svg.drawAt) + step;
		const x = plot.left + part * (plot.right - plot.left);
		pointTo(svg, x, true);
		if (mark && mark.svg === svg) {
			spread(svg, xOf(svg, svg.drawAt), mark.x);
		}
	});

	function arm() {
		for (const svg of document.querySelectorAll("svg.dr-chart")) {
			svg.setAttribute("tabindex", "0");
		}
	}

	window.dashboardDraw = { arm: arm };
	if (document.readyState === "loading") {
		document.addEventListener("DOMContentLoaded", arm);
	} else {
		arm();
	}
})();
