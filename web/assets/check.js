// Keys for answers on Check matches, and a slider that shows at once what a
// threshold would have meant. Without it everything works by forms and links.
import { get } from "./page.js";

document.addEventListener("keydown", event => {
	const arrow = event.target.type === "radio" && event.key.startsWith("Arrow");
	if (event.ctrlKey || event.altKey || event.metaKey || event.repeat || arrow || busy(event.target)) return;
	const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
	const chosen = [...document.querySelectorAll("[data-key]")].find(e => e.dataset.key === key);
	if (!chosen) return;
	event.preventDefault();
	chosen.click();
});

document.body.dataset.keys = "ready";

// busy tells where keys have a meaning of their own.
function busy(target) {
	return target.matches("textarea,select,input:not([type=checkbox],[type=radio],[type=hidden])");
}

const form = document.getElementById("threshold");
if (form) {
	const number = form.querySelector("[type=number]");
	const slide = form.querySelector("[type=range]");
	let asked = 0; // how often the page was asked for
	slide.parentElement.hidden = false;
	slide.addEventListener("input", () => {
		number.value = Number(slide.value).toFixed(3);
		show();
	});
	number.addEventListener("input", () => {
		if (number.validity.valid) {
			slide.value = number.value;
			show();
		}
	});

	// show asks for the page of another threshold and takes its outcome over.
	// Only the last answer counts.
	async function show() {
		const mine = ++asked, address = "/checks/threshold?distance=" + encodeURIComponent(number.value);
		const outcome = (await get(address))?.getElementById("outcome");
		if (mine !== asked) return;
		if (!outcome) return form.requestSubmit(); // the browser says what is wrong
		const old = document.getElementById("outcome").querySelectorAll("details");
		outcome.querySelectorAll("details").forEach((d, i) => { d.open = old[i]?.open; });
		document.getElementById("outcome").replaceWith(outcome);
		history.replaceState(null, "", address);
	}
}
