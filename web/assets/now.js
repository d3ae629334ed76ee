// Keeps the page Now up to date: the server tells of each visit that is new or
// has changed, drawn already, and of the household's clock. After a while without
// a ring or a touch the page shows that clock, until somebody rings or touches it.
import { awake, chime, wake } from "./chime.js";
import { listen, write } from "./page.js";

const id = (name) => document.getElementById(name);
const page = document.body, visits = id("visits"), nobody = id("nobody"), connection = id("connection");
const groups = { away: id("away"), today: id("today"), before: id("before") };
const shown = Number(id("rings").dataset.shown);
const ringShown = 120_000; // ms that a ring of which nothing is kept is told
const fresh = 60_000; // ms for which a ring is news
const language = document.documentElement.lang;
const relative = new Intl.RelativeTimeFormat(language, { numeric: "auto" });
const inWords = (options) => new Intl.DateTimeFormat(language, { timeZone: "UTC", ...options });
const hours = inWords({ hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
const days = inWords({ weekday: "long", day: "numeric", month: "long" });
let lost = null; // what the clock showed then
let clock; // the household's, as last heard
let volume;

// What was touched last, and until when everybody was away, outlives a page.
let touched = Number(localStorage.touched ?? 0), away = touched, back = 0, rang = 0;

hear(page.dataset.now, Number(page.dataset.volume), page.dataset.night === "true");
const day = date();
rang = now(); // a page that was just opened is looked at
if (now() - touched < page.dataset.idle) away = 0;
arrange();
tick();
if (performance.getEntriesByType("navigation")[0]?.type === "reload") settle(); // another card may stand there
setInterval(tick, 1_000);
stayOn();
listen(Number(page.dataset.revision), {
	opened() {
		lost = null;
		connection.hidden = true;
		for (const notice of document.querySelectorAll(".notice")) tell(notice, ""); // if something is wrong still, the server says so
	},
	heard(message) {
		hear(message.now, message.volume, message.night);
		if (message.type === "visit") show(message);
		if (message.type === "gone") message.gone.forEach(remove);
		if (["trouble", "trial", "unwell"].includes(message.type)) tell(id(message.type), message.text ?? "");
		if (message.type === "ring") rangUnkept(message.text);
		if (message.type === "missed") location.reload();
	},
	lost() {
		lost ??= hours.format(local());
		connection.textContent = connection.dataset.says.replace("#time", lost);
		connection.hidden = false;
	},
});

function hear(iso, loud, night) {
	clock = { at: Date.parse(iso), local: Date.parse(iso.slice(0, 19) + "Z"), heard: Date.now() };
	volume = loud;
	page.classList.toggle("night", night);
	id("chime").hidden = !volume || awake();
}

function now() { return clock.at + Date.now() - clock.heard; }
function local() { return new Date(clock.local + Date.now() - clock.heard); }
function date() { return local().toISOString().slice(0, 10); }

// tick says how long ago everything was. After midnight what was today is yesterday, so
// the page is drawn anew, once the server was heard again where a tablet slept.
function tick() {
	if (date() !== day && !lost && Date.now() - clock.heard < 20_000) return location.reload();
	document.querySelectorAll(".ago").forEach((e) => write(e, ago(e.dataset)));
	for (const e of document.querySelectorAll("[data-later]")) // nobody was found for a minute
		if (now() - e.dataset.received / 1000 > 60_000) write(e.querySelector(".headline"), e.dataset.later);
	write(id("clock"), hours.format(local()));
	write(id("date"), days.format(local()));
	const idle = now() - Math.max(touched, rang) > page.dataset.idle;
	if (idle !== page.classList.contains("idle")) rest(idle);
}

function ago({ at, days }) {
	const minutes = Math.floor((now() - at) / 60_000);
	if (days > 0) return relative.format(-days, "day");
	if (minutes < 1) return relative.format(0, "second");
	return minutes < 60 ? relative.format(-minutes, "minute") : relative.format(-Math.floor(minutes / 60), "hour");
}

function rest(idle) {
	page.classList.toggle("idle", idle);
	id("idle").hidden = !idle;
	if (idle) { away = touched; back = 0; }
	arrange();
}

// A touch ends the rest, and does no more: what comes to lie under the finger was not
// meant. What rang meanwhile stays apart until the next.
let woke = false;
for (const kind of ["pointerdown", "keydown"]) {
	addEventListener(kind, () => {
		woke = kind === "pointerdown" && page.classList.contains("idle");
		if (page.classList.contains("idle")) back = now();
		localStorage.touched = touched = now();
		wake(); // what asks for a touch goes later: nothing may move under this one
		tick();
	}, { passive: true });
}
addEventListener("click", (event) => {
	if (!woke && !(visits.ariaBusy === "true" && event.target.closest("main"))) return;
	event.preventDefault();
	event.stopImmediatePropagation();
	woke = false;
}, true);
id("chime").querySelector("button").onclick = () => wake().then(() => {
	id("chime").hidden = true;
	chime(volume);
});

// settle has nothing that can be pressed take a tap or a key for a moment: it came to
// where something else was, which was meant.
function settle() {
	visits.ariaBusy = true;
	clearTimeout(settle.over);
	settle.over = setTimeout(() => { visits.ariaBusy = false; }, page.dataset.settle);
}

// The screen of a tablet on the wall stays on, where the browser has a way.
function stayOn() {
	if (!document.hidden && page.classList.contains("wall")) navigator.wakeLock?.request("screen").catch(() => {});
}
document.addEventListener("visibilitychange", () => { tick(); stayOn(); });

// rangUnkept tells of a ring of which nothing is kept, for a while.
function rangUnkept(text) {
	write(id("ring"), text);
	id("ring").hidden = false;
	settle();
	clearTimeout(rangUnkept.over);
	rangUnkept.over = setTimeout(() => { id("ring").hidden = true; }, ringShown);
	somebody();
}

// somebody is at the door.
function somebody() {
	rang = now();
	chime(volume);
	tick();
}

function parse(html, of) {
	const template = document.createElement("template");
	template.innerHTML = html;
	return template.content.querySelector(of);
}

function received(e) { return Number(e.dataset.received); }
function older(a, b) { return a && Number(a.dataset.revision) >= Number(b.dataset.revision); }

// show puts a visit into the row, and the latest into its card.
function show(message) {
	const card = parse(message.card, "article"), caller = parse(message.caller, "li");
	const was = id(caller.id), old = visits.firstElementChild;
	if (!older(was, caller)) {
		if (was) keepPictures(was, caller);
		was?.remove();
		groups.today.append(caller);
	}
	nobody.hidden = true;
	if (old && old.id !== card.id && received(old) > received(card) || old?.id === card.id && older(old, card)) return arrange();
	let focus = null;
	if (old?.id === card.id) {
		keepPictures(old, card);
		focus = keepTyped(old, card);
	}
	if (!old || offers(old) !== offers(card)) settle();
	visits.replaceChildren(card);
	focus?.focus();
	arrange();
	write(id("said"), card.dataset.says);
	if (old?.id !== card.id && now() - received(card) / 1_000 < fresh) somebody();
	tick();
}

// arrange puts those who rang where they belong, the newest first: what rang while
// nobody was here, today, and before. The latest stands in its card.
function arrange() {
	const all = Object.values(groups).flatMap((g) => [...g.children]).sort((a, b) => received(b) - received(a));
	all.splice(shown).forEach((e) => e.remove());
	for (const e of all) {
		const at = received(e) / 1_000, missed = away && at > away && at < (back || Infinity);
		groups[missed ? "away" : e.dataset.before ? "before" : "today"].append(e);
		e.hidden = !page.classList.contains("idle") && e.id.slice(7) === visits.firstElementChild?.id.slice(6);
	}
	for (const g of Object.values(groups)) g.parentElement.hidden = ![...g.children].some((e) => !e.hidden);
}

// tell says what is so, such as what is wrong, or that nothing is any more.
function tell(notice, text) {
	write(notice.firstElementChild, text);
	notice.hidden = text === "";
}

// remove takes a visit that is gone off the page. The one before it takes its place.
function remove(visit) {
	id(`caller-${visit}`)?.remove();
	if (id(`visit-${visit}`)) location.reload();
}

// keepPictures moves pictures that are loaded already over, so that they
// neither flicker nor are asked for again.
function keepPictures(from, to) {
	for (const picture of to.querySelectorAll("img")) {
		const loaded = [...from.querySelectorAll("img")].find((p) => p.getAttribute("src") === picture.getAttribute("src"));
		if (loaded?.className === picture.className) picture.replaceWith(loaded);
	}
}

// keepTyped moves over what somebody is typing, opened and was just told, and
// returns what they are at, if the card still has it.
function keepTyped(from, to) {
	const told = from.querySelector(".told:not([hidden])");
	if (told) to.querySelector(".told")?.replaceWith(told);
	const old = partsOf(from);
	let focus = null;
	for (const part of partsOf(to)) {
		const was = old.find((o) => same(o) === same(part));
		if (!was) continue;
		if ("open" in part) part.open = was.open;
		else if ("value" in part && part.name) part.value = was.value;
		if (was === document.activeElement) focus = part;
	}
	return focus;
}

function partsOf(e) { return [...e.querySelectorAll("details, summary, a, button, select, input:not([type=hidden])")]; }
function offers(card) { return partsOf(card).map(same).join(); }

// same tells parts of a card apart: a card that is not on the page yet knows no
// addresses but as they are written.
function same(e) {
	const form = e.form?.getAttribute("action") ?? e.closest("details")?.className ?? "";
	return [e.tagName, form, e.name, e.dataset.digit, e.className, e.getAttribute("href")].join();
}
