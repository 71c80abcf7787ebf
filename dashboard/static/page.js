// Keeps a page fresh: replaces the parts that the daemon says have changed. The page is whole without it.
"use strict";
(() => {
	const address = document.body.dataset.live;
	const pulse = document.getElementById("pulse");

	// focusOf remembers where the reader is inside a part, so that a replacement does not lose the place.
	const focusOf = (part) => {
		const at = document.activeElement;
		if (!at || !part.contains(at)) return null;
		const href = at.getAttribute("href");
		return () => {
			const again = (at.id && document.getElementById(at.id)) ||
				(href && part.querySelector(`a[href="${CSS.escape(href)}"]`)) || null;
			if (again) again.focus({ preventScroll: true });
		};
	};
	// busy says that somebody fills in a form of the part: it waits until that is done.
	const busy = (part) => part.querySelector("input:focus, select:focus") !== null ||
		[...part.querySelectorAll("input:not([type=hidden])")].some((f) => f.value !== f.defaultValue || f.checked !== f.defaultChecked);

	const replace = (id, html) => {
		const part = document.getElementById(id);
		if (!part || busy(part)) return;
		const refocus = focusOf(part);
		const x = [...part.querySelectorAll(".scroll")].map((s) => s.scrollLeft);
		const open = [...part.querySelectorAll("details[open][id]")].map((d) => d.id);
		part.innerHTML = html; // the daemon's own template, which has escaped every name
		part.querySelectorAll(".scroll").forEach((s, i) => { s.scrollLeft = x[i] || 0; });
		for (const id of open) {
			const again = document.getElementById(id);
			if (again) again.open = true;
		}
		if (refocus) refocus();
		arm(part);
	};

	const say = (text) => { if (pulse && pulse.textContent !== text) pulse.textContent = text; };

	const watch = () => {
		const stream = new EventSource(address);
		stream.onopen = () => say("Live");
		stream.onmessage = (event) => {
			for (const [id, html] of Object.entries(JSON.parse(event.data))) replace(id, html);
			document.body.dataset.updates = String(Number(document.body.dataset.updates || 0) + 1);
		};
		stream.onerror = () => say("Not live: the daemon does not answer");
		// A page that nobody sees needs no stream.
		document.addEventListener("visibilitychange", () => {
			if (document.hidden) { stream.close(); } else if (stream.readyState === EventSource.CLOSED) { location.reload(); }
		}, { once: false });
		window.addEventListener("pagehide", () => stream.close());
	};

	// arm lets a click on a cable in the picture do what its button does.
	const arm = (root) => {
		for (const picture of root.querySelectorAll("[data-cables]")) {
			picture.classList.add("armed");
			for (const cable of picture.querySelectorAll(".dr-link[data-id]")) {
				cable.addEventListener("click", (event) => {
					const button = document.querySelector(`button[data-link="${CSS.escape(cable.dataset.id)}"]`);
					if (!button) return;
					event.preventDefault();
					const form = button.form;
					fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form)) });
				});
			}
		}
	};

	// A span of time that is chosen on a curve is shown: its address says it, so that it can be shared. The links beside
	// the curve do the same without a script.
	const curves = () => {
		const curve = document.querySelector("[data-drag]");
		if (!curve) return;
		const shortest = 60e3;
		curve.addEventListener("dr-range", (event) => {
			let { from, to } = event.detail;
			const more = Math.max(0, shortest - (to - from)) / 2;
			const word = (ms) => new Date(ms).toISOString().slice(0, 19) + "Z";
			const chosen = new URLSearchParams({ point: curve.dataset.point, from: word(from - more), to: word(to + more + 999) });
			location.assign("?" + chosen + "#curve");
		});
		const keys = { "+": "narrower", "-": "wider", "Shift+ArrowLeft": "earlier", "Shift+ArrowRight": "later" };
		curve.addEventListener("keydown", (event) => {
			const link = document.getElementById("curve-" + keys[(event.key.startsWith("Arrow") && event.shiftKey ? "Shift+" : "") + event.key]);
			if (!link || event.ctrlKey || event.altKey || event.metaKey) return;
			event.preventDefault();
			sessionStorage.setItem("curve", "focus");
			link.click();
		});
		if (sessionStorage.getItem("curve")) { // who works by keys goes on from there
			sessionStorage.removeItem("curve");
			const picture = [...curve.querySelectorAll("svg.dr-chart")].find((svg) => svg.getClientRects().length);
			// Later than the browser, which goes to #curve once the page is there.
			if (picture) window.addEventListener("load", () => setTimeout(() => picture.focus({ preventScroll: true })));
		}
	};

	arm(document);
	window.addEventListener("DOMContentLoaded", curves);
	if (address && window.EventSource) watch();
})();
