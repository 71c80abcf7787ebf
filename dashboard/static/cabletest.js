// The cable test: shows what the daemon hears on each cable, and sounds it. The page can be read without it.
"use strict";
(() => {
	const test = document.getElementById("cabletest");
	if (!test) return;
	const tiles = [...test.querySelectorAll(".tile")];
	const log = document.getElementById("test-log");
	const word = document.getElementById("test-word");
	const left = document.getElementById("test-left");
	const sound = document.getElementById("test-sound");
	const start = document.getElementById("test-start");
	const stop = document.getElementById("test-stop");
	const keep = document.getElementById("test-keep");
	const longest = 200; // lines of the log
	const atOnce = 4; // tones of one cable in one go
	let audio = null;
	let muted = true;
	let free = []; // when each cable's last tone ends
	let stream = null;
	let lock = null;

	const tone = (link, pitch, kind, delay) => {
		if (!audio) return;
		const at = Math.max(audio.currentTime + delay, free[link] || 0);
		const long = kind === "silent" ? 0.25 : 0.09;
		const o = audio.createOscillator();
		const g = audio.createGain();
		o.type = kind === "silent" ? "sine" : "triangle";
		o.frequency.value = kind === "silent" ? pitch / 2 : pitch;
		g.gain.setValueAtTime(0, at);
		g.gain.linearRampToValueAtTime(0.35, at + 0.008);
		g.gain.linearRampToValueAtTime(0, at + long);
		o.connect(g);
		g.connect(audio.destination);
		o.start(at);
		o.stop(at + long + 0.02);
		free[link] = at + long + 0.04;
	};

	const hear = (entry) => {
		if (muted) return;
		const pitch = Number(tiles[entry.link].dataset.pitch);
		if (entry.sound === "back") {
			tone(entry.link, pitch, "back", 0);
			tone(entry.link, pitch * 1.5, "back", 0.1);
			return;
		}
		for (let i = 0; i < Math.min(entry.n || 1, atOnce); i++) tone(entry.link, pitch, entry.sound, 0);
		if (navigator.vibrate) navigator.vibrate(entry.sound === "silent" ? 200 : 60);
	};

	const note = (entry) => {
		const li = document.createElement("li");
		const at = document.createElement("span");
		at.className = "quiet";
		at.textContent = entry.at;
		const name = document.createElement("bdi");
		name.textContent = entry.name;
		li.append(at, " ", name, ": " + entry.text);
		log.prepend(li);
		while (log.children.length > longest) log.lastChild.remove();
		document.getElementById("test-nothing").hidden = true;
	};

	const set = (element, text) => { if (element.textContent !== text) element.textContent = text; };

	const show = (state) => {
		set(word, state.word);
		set(left, state.left);
		state.tiles.forEach((t, i) => {
			const tile = tiles[i];
			if (!tile) return;
			if (tile.dataset.state !== t.class) {
				tile.dataset.state = t.class;
				tile.className = "tile " + t.class;
				tile.querySelector(".mark").innerHTML = t.mark; // the daemon's own drawing
			}
			set(tile.querySelector(".word"), t.word);
			set(tile.querySelector(".count"), t.count);
			set(tile.querySelector(".rate"), t.rate);
		});
		for (const entry of state.log) {
			if (entry.text) note(entry);
			hear(entry);
		}
	};

	const running = (on) => {
		start.hidden = on;
		stop.hidden = !on;
		test.parentElement.querySelector(".intro").hidden = on; // room for what matters
		sound.hidden = !on;
		for (const tile of tiles) tile.querySelector(".hear").hidden = on;
		if (on && keep) keep.hidden = false;
	};

	const awake = async () => {
		try { lock = await navigator.wakeLock.request("screen"); } catch { lock = null; } // a wish, no need
	};

	const watch = (seen) => {
		running(true);
		awake();
		stream = new EventSource(test.dataset.stream + "&after=" + seen);
		stream.onmessage = (event) => {
			const state = JSON.parse(event.data);
			show(state);
			if (!state.over) return;
			stream.close();
			stream = null;
			running(false);
			set(start.querySelector("button"), "Test again");
			if (lock) lock.release();
		};
		stream.onerror = () => { 
			if (!stream) return;
			set(word, "Not live: the daemon does not answer. It is asked again.");
			set(left, "");
		};
	};

	const listen = (on) => {
		muted = !on;
		if (on && !audio) audio = new AudioContext();
		if (on && audio.state === "suspended") audio.resume();
		sound.setAttribute("aria-pressed", String(on));
		set(sound, on ? "Sound is on" : "Sound is off");
	};

	if (!start) return;
	sound.addEventListener("click", () => listen(muted));
	// A page may sound only once somebody has pressed something: the start does.
	start.addEventListener("submit", async (event) => {
		event.preventDefault();
		listen(true);
		const answer = await fetch(start.action, { method: "POST", body: new URLSearchParams(new FormData(start)) });
		if (answer.ok) { log.replaceChildren(); watch(0); } else { set(word, "It could not be started: reload the page, and see what it says."); }
	});
	stop.addEventListener("submit", (event) => {
		event.preventDefault();
		fetch(stop.action, { method: "POST", body: new URLSearchParams(new FormData(stop)) });
	});
	tiles.forEach((tile, i) => {
		const button = tile.querySelector(".hear");
		button.hidden = false;
		button.addEventListener("click", () => {
			if (!audio) audio = new AudioContext();
			tone(i, Number(tile.dataset.pitch), "bad", 0);
		});
	});
	window.addEventListener("pagehide", () => { if (stream) stream.close(); });
	if ("running" in test.dataset) watch(test.dataset.seen);
})();
