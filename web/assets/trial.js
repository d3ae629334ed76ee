// Keeps the rings on the page of a trial up to date. Forms stay, so that nobody loses
// their place.
import { get, listen } from "./page.js";

const lost = document.getElementById("lost");
const stepOf = (page) => page.querySelector("[aria-current=step] .rings")?.id;
let asked = 0; // how often the page was asked for

listen(Number(document.body.dataset.known), {
	opened() { lost.hidden = true; },
	lost() { lost.hidden = false; },
	async heard() {
		const mine = ++asked, page = await get(location.pathname);
		if (!page || mine !== asked) return; // another answer is on its way
		if (stepOf(page) !== stepOf(document)) return location.reload();
		for (const rings of page.querySelectorAll(".rings")) {
			const old = document.getElementById(rings.id);
			if (old.innerHTML !== rings.innerHTML) old.replaceWith(rings);
		}
	},
});
