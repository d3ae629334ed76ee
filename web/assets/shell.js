// What every page does: it stays, and says so, while the server is away; it changes its
// colours at once; and it has the browser keep the shell for such times.
"use strict";

const root = document.documentElement;
const notice = document.getElementById("connection");
const since = document.getElementById("since"); // on the page that comes instead of another
let lost = 0, waits = 0; // when the server was first missed, and the timer
let next = null; // where somebody wanted to go meanwhile, and when
let checked = null; // the form that may go out
const sending = new WeakSet(); // forms on their way

navigator.serviceWorker?.register("/sw.js").catch(() => {}); // none without TLS that is trusted
paint();
if (since) away(since);

async function up() {
	try {
		return (await fetch("/healthz", { cache: "no-store", signal: AbortSignal.timeout(4_000) })).ok;
	} catch { return false; }
}

// These come to the window last, so that what another script did is done already.
addEventListener("away", () => away(notice)); // as another script finds
addEventListener("click", async (event) => {
	for (const menu of document.querySelectorAll(".menu[open]")) menu.open = menu.contains(event.target);
	const link = event.target.closest("a[href]");
	if (!notice || !link || event.defaultPrevented || event.ctrlKey || event.metaKey || event.shiftKey || link.target ||
		link.origin !== location.origin || link.href.split("#")[0] === location.href.split("#")[0]) return;
	event.preventDefault();
	if (await up()) return location.assign(link.href);
	next = { to: link.href, at: Date.now() };
	away(notice);
});

addEventListener("submit", async (event) => {
	const form = event.target, button = event.submitter;
	if (!notice || event.defaultPrevented || checked === form || form.method === "dialog") return;
	event.preventDefault();
	if (sending.has(form)) return; // who presses twice sends once
	sending.add(form);
	const there = await up();
	if (!there || form.matches("[action='/theme']")) sending.delete(form);
	if (!there) return away(notice);
	if (form.matches("[action='/theme']")) return choose(form, button);
	checked = form;
	form.requestSubmit(button);
	checked = null;
});

// Who comes back to a page gets it as it is now: one that the browser kept may be of
// somebody who signed out since, and one that was drawn from what was sent is asked for
// without that, or a browser would want it sent again.
addEventListener("pageshow", (event) => event.persisted && location.reload());
history.replaceState(history.state, "", document.querySelector("[data-came]")?.dataset.came ?? location.href);

// away says since when the server is missed, until it is back. A link that was tapped
// on in the last minute is followed then; what was to be sent is there still.
function away(place) {
	lost ||= Date.now();
	place.textContent = place.dataset.away.replace("#time", new Date(lost).toLocaleTimeString(root.lang,
		{ hour: "2-digit", minute: "2-digit", hourCycle: "h23" }));
	place.hidden = false;
	place.scrollIntoView({ block: "nearest" });
	waits ||= setInterval(async () => {
		if (!await up()) return;
		clearInterval(waits);
		if (since) return location.pathname === "/away" ? location.replace("/") : location.reload();
		place.hidden = true;
		lost = waits = 0;
		if (next && Date.now() - next.at < 60_000) location.assign(next.to);
		next = null;
	}, 3_000);
}

async function choose(form, button) {
	await fetch(form.action, { method: "POST", body: new URLSearchParams(new FormData(form, button)), redirect: "manual" });
	root.dataset.theme = button.value;
	for (const other of form.querySelectorAll("button")) other.setAttribute("aria-pressed", other === button);
	paint();
}

// paint has the browser's own frame in the page's colour.
function paint() {
	document.querySelector("meta[name=theme-color]").content = getComputedStyle(document.body).backgroundColor;
}
