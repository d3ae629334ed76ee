// Blurs faces on a tablet that nobody touched for a minute, until somebody does or rings.
"use strict";

const quiet = 60_000; // ms
const newest = () => document.querySelector("#visits article")?.id;
let shown = newest(), timer;

function wake() {
	document.documentElement.classList.remove("blurred");
	clearTimeout(timer);
	timer = setTimeout(() => document.documentElement.classList.add("blurred"), quiet);
}
for (const touch of ["pointerdown", "keydown", "wheel"]) addEventListener(touch, wake, { passive: true });
new MutationObserver(() => {
	if (newest() === shown) return;
	shown = newest();
	wake();
}).observe(document.body, { childList: true, subtree: true });
wake();
