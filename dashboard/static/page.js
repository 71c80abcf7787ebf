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

	arm(document);
	if (address && window.EventSource) watch();
})();
