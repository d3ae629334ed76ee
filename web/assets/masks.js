// Draws privacy masks over a still. The masks' only home is the form's text,
// which is what is saved; this script turns taps into text, and the text into
// outlines. A place is in fractions of the still's width and height.
"use strict";

const form = document.getElementById("masks");
const text = document.getElementById("text");
const drawing = document.getElementById("drawing");
const layer = drawing.querySelector("g");
const list = document.getElementById("outlines");
const hint = document.getElementById("hint");
const close = document.getElementById("close");
const undo = document.getElementById("undo");
const most = Number(form.dataset.most);
const mostMasks = Number(form.dataset.mostMasks);
const near = 24; // CSS pixels within which a tap is on a corner: half of what a finger needs
const edge = 14; // CSS pixels from the still's edge within which a corner is on it

let open = []; // corners of the outline that is being drawn
let past = []; // what undo goes back to
let changed = false;

document.getElementById("tools").hidden = false;
hint.hidden = false;
draw();

drawing.addEventListener("click", (event) => {
	const box = drawing.getBoundingClientRect();
	const first = open[0];
	if (open.length > 2 && Math.hypot(event.clientX - box.left - first.x * box.width, event.clientY - box.top - first.y * box.height) <= near) {
		return closeOutline();
	}
	if (masks().length >= mostMasks || open.length >= most) return draw();
	remember();
	open.push({ x: fraction(event.clientX - box.left, box.width), y: fraction(event.clientY - box.top, box.height) });
	draw();
});
close.addEventListener("click", closeOutline);
undo.addEventListener("click", () => {
	const last = past.pop();
	if (!last) return;
	[open, text.value] = [last.open, last.text];
	draw();
});
text.addEventListener("input", () => {
	changed = true;
	draw();
});
form.addEventListener("submit", (event) => {
	if (open.length > 0) {
		event.preventDefault();
		say(hint.dataset.open);
		hint.scrollIntoView({ block: "center" });
		return;
	}
	changed = false;
});
addEventListener("beforeunload", (event) => {
	if (changed) event.preventDefault();
});

// fraction is a place along a side of the still; a finger can't reach the very
// edge, so close to it counts as there.
function fraction(at, length) {
	if (at < edge) return 0;
	if (at > length - edge) return 1;
	return Number((at / length).toFixed(4));
}

function remember() {
	past.push({ open: [...open], text: text.value });
	changed = true;
}

function closeOutline() {
	if (open.length < 3) return;
	remember();
	const line = open.map((p) => `${p.x},${p.y}`).join(" ");
	text.value = [...lines(), line].join("\n");
	open = [];
	draw();
}

function remove(index) {
	remember();
	text.value = lines().filter((_, i) => i !== index).join("\n");
	draw();
	(list.querySelector("button") ?? undo).focus();
}

function lines() {
	return text.value.split("\n").map((line) => line.trim()).filter((line) => line !== "");
}

// masks reads the text. What is no corner is left out here, and told of when
// it is saved.
function masks() {
	return lines().map((line) => line.split(/\s+/)
		.map((corner) => corner.split(",").map(Number))
		.filter((corner) => corner.length === 2 && corner.every(Number.isFinite))
		.map(([x, y]) => ({ x, y })));
}

function draw() {
	const closed = masks();
	layer.replaceChildren(
		...closed.map((m) => shape("polygon", m)),
		shape("polyline", open),
		// A line of no length is drawn as its round ends: a dot of a size that
		// does not depend on the still's.
		...open.map((p, i) => shape("polyline", [p, p], i === 0 ? ["corner", "first"] : ["corner"])),
	);
	list.replaceChildren(...closed.map(row));
	close.disabled = open.length < 3;
	undo.disabled = past.length === 0;
	say(next(closed));
}

function next(closed) {
	if (open.length >= most) return hint.dataset.corners;
	if (open.length > 2) return hint.dataset.close;
	if (open.length > 0) return hint.dataset.next;
	if (closed.length >= mostMasks) return hint.dataset.masks;
	return hint.dataset.first;
}

function say(words) {
	if (hint.textContent !== words) hint.textContent = words;
}

// fill puts values into a message that the page brought, which has places such as {done}.
function fill(message, values) {
	return message.replace(/\{(\w+)\}/g, (_, name) => values[name]);
}

function shape(name, points, kinds = []) {
	const element = document.createElementNS(drawing.namespaceURI, name);
	element.setAttribute("points", points.map((p) => `${p.x},${p.y}`).join(" "));
	element.classList.add(...kinds);
	return element;
}

// row lists a mask. The list and the drawing show which belongs to which while
// one is pointed at.
function row(mask, index) {
	const item = document.createElement("li");
	const name = document.createElement("span");
	name.textContent = fill(list.dataset.row, { number: index + 1, corners: mask.length });
	const button = document.createElement("button");
	button.type = "button";
	button.className = "quiet";
	button.textContent = list.dataset.remove;
	button.setAttribute("aria-label", fill(list.dataset.removeRow, { number: index + 1 }));
	button.addEventListener("click", () => remove(index));
	const mark = (on) => layer.children[index]?.classList.toggle("chosen", on);
	for (const event of ["mouseenter", "focusin"]) item.addEventListener(event, () => mark(true));
	for (const event of ["mouseleave", "focusout"]) item.addEventListener(event, () => mark(false));
	item.append(name, button);
	return item;
}

// While earlier stills are being masked, this tells how far that is.
const progress = document.getElementById("progress");
if (progress.dataset.state === "running") follow();

async function follow() {
	try {
		const answer = await fetch(progress.dataset.address);
		if (answer.ok) {
			const state = await answer.json();
			if (state.state !== "running") {
				progress.textContent = progress.dataset.over;
				return;
			}
			progress.textContent = fill(progress.dataset.running, state);
		}
	} catch {
		// The server is away for a moment; ask again.
	}
	setTimeout(follow, 2_000);
}
