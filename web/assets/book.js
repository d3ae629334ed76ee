// The visitor book without an end, its place in the address, and a search while one
// types. All of it is pages that the server draws.
import { get } from "./page.js";

const found = document.getElementById("found");
const search = document.getElementById("search");
const from = new WeakMap(); // the address that a row came with
let asked = 0;

const page = async (address) => (await get(address))?.getElementById("found");

const note = (root, address) => root.querySelectorAll("#list li").forEach((row) => from.set(row, address));

// extend puts another page before or after the rows there are, and leaves what is
// seen where it is.
const extend = async (link) => {
	const later = link.rel === "next";
	seen.unobserve(link);
	const part = await page(link.href);
	if (!part || !link.isConnected) return;
	note(part, link.href);
	const list = document.getElementById("list");
	const edge = later ? list.lastElementChild : list.firstElementChild;
	const top = edge.getBoundingClientRect().top;
	const days = [...part.querySelectorAll("#list > section")];
	const same = days.at(later ? 0 : -1);
	if (same?.dataset.day === edge.dataset.day) {
		edge.querySelector("ul")[later ? "append" : "prepend"](...same.querySelectorAll("li"));
		days.splice(days.indexOf(same), 1);
	}
	list[later ? "append" : "prepend"](...days);
	if (!later) scrollBy(0, edge.getBoundingClientRect().top - top);
	const next = part.querySelector(`a[rel=${link.rel}]`);
	if (next) { link.replaceWith(next); seen.observe(next); } else link.remove();
};

const seen = new IntersectionObserver((all) => all.forEach((one) => {
	if (one.isIntersecting) extend(one.target);
}), { rootMargin: "400px" });

// keep makes the address lead back to a row.
const keep = (row) => history.replaceState(null, "", (from.get(row) ?? "").split("#")[0] + "#" + row.id);
const watch = () => {
	note(document, location.href);
	document.querySelectorAll("#found a[rel=next], #found > .pages a[rel=prev]").forEach((link) => seen.observe(link));
};
addEventListener("click", (e) => {
	const row = e.target.closest?.("#list li");
	if (row) keep(row);
}, true);
addEventListener("scrollend", () => {
	const row = [...document.querySelectorAll("#list li")].find((r) => r.getBoundingClientRect().top >= 0);
	if (row && scrollY > 0) keep(row);
});

search?.addEventListener("input", () => {
	const turn = ++asked;
	setTimeout(async () => {
		if (turn !== asked) return;
		const address = "/visits?" + new URLSearchParams([...new FormData(search)].filter(([, v]) => v));
		const part = await page(address);
		if (!part || turn !== asked) return;
		found.replaceChildren(...part.childNodes);
		history.replaceState(null, "", address);
		watch();
	}, 250);
});
watch();
