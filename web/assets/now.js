// Keeps the page Now up to date: the server tells of each visit that is new or
// has changed, with its card drawn already.
"use strict";

const visits = document.getElementById("visits");
const nobody = document.getElementById("nobody");
const connection = document.getElementById("connection");
const trouble = document.getElementById("trouble");
const trial = document.getElementById("trial");
const ring = document.getElementById("ring");
const ringShown = 120_000; // ms that a ring of which nothing is kept is told
const shown = Number(visits.dataset.shown);
const silence = 40_000; // ms without a word, after which the connection is taken for dead
let known = Number(document.body.dataset.revision);
let wait = 1_000; // ms before the next try
let lost = null;

connect();

function connect() {
	const scheme = location.protocol === "https:" ? "wss:" : "ws:";
	const socket = new WebSocket(`${scheme}//${location.host}/api/v1/live?since=${known}`);
	let watchdog = setTimeout(() => socket.close(), silence);
	let over = false;

	socket.onopen = () => {
		wait = 1_000;
		lost = null;
		connection.hidden = true;
		tell(trouble, ""); // if something is wrong still, the server says so
		tell(trial, "");
	};
	socket.onmessage = (event) => {
		clearTimeout(watchdog);
		watchdog = setTimeout(() => { socket.close(); ended(); }, silence);
		const message = JSON.parse(event.data);
		if (message.type === "visit") show(message.card);
		if (message.type === "gone") message.gone.forEach(remove);
		if (message.type === "trouble") tell(trouble, message.text ?? "");
		if (message.type === "trial") tell(trial, message.text ?? "");
		if (message.type === "ring") rang(message.text);
		if (message.type === "missed") return location.reload();
		known = Math.max(known, message.revision);
	};
	socket.onclose = ended;

	// A dead connection may take its time to close, so ended may be called twice.
	function ended(event) {
		if (over) return;
		over = true;
		clearTimeout(watchdog);
		if (event && event.reason === "signed-out") return location.assign("/sign-in");
		lost ??= new Date();
		const time = lost.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });
		connection.textContent = connection.dataset.says.replace("#time", time);
		connection.hidden = false;
		setTimeout(connect, wait * (0.75 + Math.random() / 2));
		wait = Math.min(wait * 2, 10_000);
	}
}

// rang tells of a ring of which nothing is kept, for a while.
function rang(text) {
	ring.textContent = text;
	ring.hidden = false;
	clearTimeout(rang.over);
	rang.over = setTimeout(() => { ring.hidden = true; }, ringShown);
}

// show puts a card in its place: that of an older state of the same visit, or
// by the time it was received.
function show(html) {
	const template = document.createElement("template");
	template.innerHTML = html;
	const card = template.content.querySelector("article");
	const old = document.getElementById(card.id);
	if (old) {
		if (Number(old.dataset.revision) >= Number(card.dataset.revision)) return;
		keepPictures(old, card);
		const focus = keepTyped(old, card);
		old.replaceWith(card);
		focus?.focus();
	} else {
		const received = Number(card.dataset.received);
		const next = [...visits.children].find((c) => Number(c.dataset.received) < received);
		visits.insertBefore(card, next ?? null);
	}
	while (visits.children.length > shown) visits.lastElementChild.remove();
	nobody.hidden = true;
}

// tell says what is so, such as what is wrong, or that nothing is any more.
function tell(place, text) {
	place.textContent = text;
	place.hidden = text === "";
}

// remove takes a visit that is gone off the page.
function remove(id) {
	document.getElementById(`visit-${id}`)?.remove();
	nobody.hidden = visits.children.length > 0;
}

// keepPictures moves pictures that are loaded already over, so that they
// neither flicker nor are asked for again.
function keepPictures(from, to) {
	for (const picture of to.querySelectorAll("img")) {
		const loaded = [...from.querySelectorAll("img")].find((p) => p.src === picture.src);
		if (loaded && (picture.loading !== "lazy") === (loaded.loading !== "lazy")) picture.replaceWith(loaded);
	}
}

// keepTyped moves over what somebody is typing and what they were just told,
// and returns what they are at, if the card still has it.
function keepTyped(from, to) {
	const told = from.querySelector(".told"), newTold = to.querySelector(".told");
	if (told && newTold && !told.hidden) newTold.replaceWith(told);
	let focus = null;
	for (const field of to.querySelectorAll(".advice input:not([type=hidden]), .advice select, .advice button")) {
		const old = [...from.querySelectorAll(".advice input, .advice select, .advice button")].find((f) => f.name === field.name && goesTo(f) === goesTo(field));
		if (!old) continue;
		if (field.name) field.value = old.value;
		if (old === document.activeElement) focus = field;
	}
	return focus;
}

// goesTo is where a field's form goes, as written: a card that is not on the
// page yet knows no other address.
function goesTo(field) { return field.form?.getAttribute("action"); }

// After midnight "today" is yesterday; and a tablet that slept may have
// missed its own timers.
document.addEventListener("visibilitychange", () => {
	if (!document.hidden && lost) location.reload();
});
