// Notices by itself that the tablet was paired which the code on Upkeep is for.
import { get } from "./page.js";

const card = document.getElementById("tablets");
const known = [...card.querySelectorAll("[data-tablet]")].map((row) => row.dataset.tablet);
const until = Date.now() + 5 * 60_000; // as long as a code is good for
const looking = setInterval(look, 2_000);

async function look() {
	if (Date.now() > until) return clearInterval(looking);
	const answer = await fetch("/api/v1/tablets").catch(() => null);
	const tablet = answer?.ok && (await answer.json()).tablets.find((t) => !known.includes(t.id));
	const page = tablet && await get("/upkeep");
	if (!page) return;
	clearInterval(looking);
	card.replaceChildren(...page.getElementById("tablets").children);
	const told = document.getElementById("paired");
	[told.textContent, told.hidden] = [card.dataset.paired.replace("{name}", tablet.name), false];
}
