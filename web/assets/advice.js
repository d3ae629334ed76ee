// Counts suggestions down, and sends answers without leaving the page. The
// server says how long is left, so that a tablet's own clock does not matter;
// it also has the last word, and refuses an answer that comes late.

import { write } from "./page.js";

const marked = new WeakMap(); // when what was left was left

// What the page itself came with was left when the page was asked for, at the
// latest.
const asked = performance.getEntriesByType("navigation")[0]?.requestStart ?? 0;
mark(asked - performance.now());
new MutationObserver(() => { mark(0); tick(); }).observe(document.querySelector("main"), { childList: true, subtree: true });
setInterval(tick, 250);
tick();
document.body.dataset.advice = "ready";

function mark(earlier) {
	for (const e of document.querySelectorAll("[data-left]")) {
		if (!marked.has(e)) marked.set(e, { steady: performance.now() + earlier, wall: Date.now() + earlier });
	}
	for (const e of document.querySelectorAll(".digits")) e.hidden = false;
}

// left is how many milliseconds are left. A tablet that slept knows by one of
// its clocks only.
function left(e) {
	const at = marked.get(e);
	return Number(e.dataset.left) - Math.max(performance.now() - at.steady, Date.now() - at.wall);
}

function tick() {
	for (const e of document.querySelectorAll("[data-left]")) {
		if (!marked.has(e)) continue;
		const seconds = Math.ceil(left(e) / 1000);
		if (e.matches(".factors, .board")) {
			e.hidden = seconds <= 0;
		} else if (seconds > 0) {
			const shows = e.querySelector(".left"); // aria-hidden: it is not read out each second
			shows.hidden = false;
			write(shows, timeLeft(e, seconds));
		} else if (!e.classList.contains("over")) {
			expire(e);
		}
	}
}

function timeLeft(e, seconds) {
	const says = seconds >= 60 ? e.dataset.minutes : e.dataset.seconds;
	return says.replace("#minutes", Math.floor(seconds / 60)).replace("#seconds", seconds % 60);
}

function expire(e) {
	e.classList.add("over");
	e.querySelector(".left").hidden = true;
	e.querySelector(".said").textContent = e.dataset.expired;
	e.closest(".suggestion").classList.replace("suggested", "expired");
	for (const offers of cardOf(e).querySelectorAll(".offers")) offers.remove();
}

// cardOf is the ring that something belongs to, or on the page of a visit its advice.
function cardOf(e) { return e.closest("article") ?? e.closest(".advice, li"); }

// The pad of a code: digits by touch, and no keyboard over the page for them. Six make
// a code, which goes by itself.
document.addEventListener("click", (event) => {
	const { digit } = event.target.dataset;
	if (digit === undefined) return;
	const { form } = event.target, { code, pin } = form.elements, field = code ?? pin;
	field.inputMode = "none";
	field.value = digit ? field.value + digit : field.value.slice(0, -1);
	if (code && digit && field.value.length === 6) form.requestSubmit();
});

document.addEventListener("submit", async (event) => {
	const form = event.target;
	if (!("answer" in form.dataset)) return;
	event.preventDefault();
	const button = form.querySelector("button:not([type=button])");
	button.disabled = true;
	try {
		const answer = await fetch("/api/v1" + new URL(form.action).pathname, {
			method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(Object.fromEntries(new FormData(form))),
		});
		if (answer.status === 401) return location.assign("/sign-in");
		if (answer.status === 403) return form.submit(); // at a tablet, the page asks for a PIN
		if (answer.ok) taken(form);
		else refused(form, (await answer.json()).title);
	} catch {
		say(form, "lost");
	} finally {
		button.disabled = false;
	}
});

// taken says that an answer was taken. On Now what comes of it follows by
// itself; the page of a visit is loaded again, once advice was worked out.
function taken(form) {
	const { code, person } = form.elements;
	if (code) code.value = "";
	if (code || person) say(form, code ? "code" : "word", true);
	if (!document.body.classList.contains("now")) setTimeout(() => location.reload(), 1_000);
}

function refused(form, why) {
	const secret = form.elements.code ?? form.elements.pin;
	if (secret) {
		secret.value = "";
		secret.focus();
	}
	say(form, why);
}

// say tells what came of an answer, by the key of what the page brought along or
// as the server put it. It finds the card anew: another may have taken its place
// meanwhile.
function say(form, text, good = false) {
	const now = form.isConnected ? form : [...document.forms].find((f) => f.action === form.action);
	const told = now && cardOf(now)?.querySelector(".told");
	if (!told) return;
	told.textContent = told.dataset[text] ?? text;
	told.classList.toggle("good", good);
	told.hidden = false;
}
