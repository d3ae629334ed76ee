// The chime: two falling tones of our own, each with its octave.
let audio;

// awake reports whether the browser lets a page sound, which takes a touch.
export function awake() {
	audio ??= new AudioContext();
	return audio.state === "running";
}

export function wake() { return audio?.resume(); }

// chime sounds at a volume of 0 to 100.
export function chime(volume) {
	if (!(volume > 0) || !awake()) return;
	[[659.3, 0, 1], [1318.5, 0, .2], [493.9, .4, 1], [987.8, .4, .2]].forEach(([hertz, after, share]) => {
		const tone = audio.createOscillator(), gain = audio.createGain(), at = audio.currentTime + after;
		tone.frequency.value = hertz;
		gain.gain.setValueAtTime(volume / 200 * share, at);
		gain.gain.exponentialRampToValueAtTime(1e-4, at + 1.5);
		tone.connect(gain).connect(audio.destination);
		tone.start(at);
		tone.stop(at + 1.5);
	});
}

// On Rules a button tries the volume that stands in its form.
document.querySelector("[data-chime]")?.addEventListener("click", async (event) => {
	awake();
	await wake();
	chime(Number(event.target.form.elements.volume.value));
});
