// Keeps the page of a trial up to date: whatever the server tells of, the rings
// of each step are asked for again. Forms stay, so that nobody loses their place.
"use strict";

const lost = document.getElementById("lost");
const silence = 40_000; // ms without a word, after which the connection is taken for dead
let known = Number(document.body.dataset.known);
let asked = 0; // how often the page was asked for

connect();

function connect() {
	const scheme = location.protocol === "https:" ? "wss:" : "ws:";
	const socket = new WebSocket(`${scheme}//${location.host}/api/v1/live?since=${known}`);
	let watchdog = setTimeout(() => socket.close(), silence);
	socket.onopen = () => { lost.hidden = true; };
	socket.onmessage = (event) => {
		clearTimeout(watchdog);
		watchdog = setTimeout(() => socket.close(), silence);
		const message = JSON.parse(event.data);
		known = Math.max(known, message.revision);
		refresh();
	};
	socket.onclose = (event) => {
		clearTimeout(watchdog);
		if (event.reason === "signed-out") return location.assign("/sign-in");
		lost.hidden = false;
		setTimeout(connect, 2_000);
	};
}

// refresh takes over the rings as they are now. Where the trial went on or ended
// elsewhere, the page is another one.
async function refresh() {
	const mine = ++asked;
	const answer = await fetch(location.pathname);
	if (!answer.ok) return location.reload();
	const page = new DOMParser().parseFromString(await answer.text(), "text/html");
	if (mine !== asked) return; // another answer is on its way
	if (stepOf(page) !== stepOf(document)) return location.reload();
	for (const rings of page.querySelectorAll(".rings")) {
		const old = document.getElementById(rings.id);
		if (old.innerHTML !== rings.innerHTML) old.replaceWith(document.adoptNode(rings));
	}
}

// stepOf names the step that a page is at, "" for a trial that is over.
function stepOf(page) {
	return page.querySelector("[aria-current=step] .rings")?.id ?? "";
}
