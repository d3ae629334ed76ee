// Draws privacy masks over a still. The masks' only home is the form's text, which is
// what is saved; this script turns taps into text, and the text into outlines. A place
// is in fractions of the still's width and height.
import { write } from "./page.js";

const [form, text, drawing, list, hint, close, undo, tools, progress] =
	["masks", "text", "drawing", "outlines", "hint", "close", "undo", "tools", "progress"].map((id) => document.getElementById(id));
const layer = drawing.querySelector("g");
const most = Number(form.dataset.most), mostMasks = Number(form.dataset.mostMasks);
const near = 24; // CSS pixels within which a tap is on a corner: half of what a finger needs
const edge = 14; // CSS pixels from the still's edge within which a corner is on it, which no finger can reach

let open = []; // corners of the outline that is being drawn
let past = []; // what undo goes back to

tools.hidden = hint.hidden = false;
draw();
if (progress.dataset.state === "running") follow();

drawing.addEventListener("click", (event) => {
	const { left, top, width, height } = drawing.getBoundingClientRect();
	const x = event.clientX - left, y = event.clientY - top, [first] = open;
	if (open.length > 2 && Math.hypot(x - first.x * width, y - first.y * height) <= near) return closeOutline();
	if (masks().length >= mostMasks || open.length >= most) return draw();
	remember();
	open.push({ x: fraction(x, width), y: fraction(y, height) });
	draw();
});
close.addEventListener("click", closeOutline);
undo.addEventListener("click", () => {
	({ open, text: text.value } = past.pop());
	tell();
	draw();
});
text.addEventListener("input", draw);
form.addEventListener("restored", draw);
form.addEventListener("submit", (event) => {
	if (open.length === 0) return;
	event.preventDefault();
	write(hint, hint.dataset.open);
	hint.scrollIntoView({ block: "center" });
});

// fraction is a place along a side of the still.
function fraction(at, length) {
	if (at < edge) return 0;
	return at > length - edge ? 1 : Number((at / length).toFixed(4));
}

function remember() {
	past.push({ open: [...open], text: text.value });
	queueMicrotask(tell);
}

// tell has forms.js keep what the masks are now.
function tell() { form.dispatchEvent(new Event("change")); }

function closeOutline() {
	if (open.length < 3) return;
	remember();
	text.value = [...lines(), open.map((p) => `${p.x},${p.y}`).join(" ")].join("\n");
	open = [];
	draw();
}

function remove(index) {
	remember();
	text.value = lines().toSpliced(index, 1).join("\n");
	draw();
	(list.querySelector("button") ?? undo).focus();
}

function lines() { return text.value.split("\n").map((line) => line.trim()).filter(Boolean); }

// masks reads the text. What is no corner is left out here, and told of when it is saved.
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
		// A line of no length is drawn as its round ends: a dot whatever the still's size.
		...open.map((p, i) => shape("polyline", [p, p], "corner", ...i ? [] : ["first"])),
	);
	list.replaceChildren(...closed.map(row));
	close.disabled = open.length < 3;
	undo.disabled = past.length === 0;
	write(hint, hint.dataset[next(closed)]);
}

function next(closed) {
	if (open.length >= most) return "corners";
	if (open.length > 0) return open.length > 2 ? "close" : "next";
	return closed.length >= mostMasks ? "masks" : "first";
}

// fill puts values into a message that the page brought, which has places such as {done}.
function fill(message, values) {
	return message.replace(/\{(\w+)\}/g, (_, name) => values[name]);
}

function shape(name, points, ...kinds) {
	const element = document.createElementNS(drawing.namespaceURI, name);
	element.setAttribute("points", points.map((p) => `${p.x},${p.y}`).join(" "));
	element.classList.add(...kinds);
	return element;
}

// row lists a mask, and marks its outline while it is pointed at.
function row(mask, index) {
	const [item, name, button] = ["li", "span", "button"].map((tag) => document.createElement(tag));
	const values = { number: index + 1, corners: mask.length };
	name.textContent = fill(list.dataset.row, values);
	button.textContent = list.dataset.remove;
	button.ariaLabel = fill(list.dataset.removeRow, values);
	[button.type, button.className] = ["button", "quiet"];
	button.addEventListener("click", () => remove(index));
	for (const event of ["mouseenter", "focusin", "mouseleave", "focusout"]) {
		item.addEventListener(event, () => layer.children[index]?.classList.toggle("chosen", /in|enter/.test(event)));
	}
	item.append(name, button);
	return item;
}

// follow tells how far the masking of earlier stills is.
async function follow() {
	const answer = await fetch(progress.dataset.address).catch(() => null);
	const state = answer?.ok && await answer.json();
	const over = state && state.state !== "running";
	if (state) progress.textContent = over ? progress.dataset.over : fill(progress.dataset.running, state);
	if (!over) setTimeout(follow, 2_000);
}
