// Keeps the shell for when the server is away: a page that says so, its style and
// script. It keeps no picture, and no page of the house.
"use strict";

const shell = ["/away", "/assets/style.css", "/assets/shell.js", "/assets/icon.svg"];
const keep = () => caches.open("shell").then((cache) => cache.addAll(shell));
let kept = false; // anew, since the browser last started this

addEventListener("install", (event) => event.waitUntil(keep().then(() => skipWaiting())));
addEventListener("activate", (event) => event.waitUntil(clients.claim()));
addEventListener("fetch", (event) => {
	const page = event.request.mode === "navigate", path = new URL(event.request.url).pathname;
	if (event.request.method !== "GET" || !page && !shell.includes(path)) return;
	const answer = fetch(event.request);
	event.respondWith(answer.catch(() => caches.match(page ? "/away" : path)));
	if (!kept) event.waitUntil(answer.then(keep).then(() => { kept = true; }, () => {}));
});
