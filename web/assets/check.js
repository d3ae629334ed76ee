// Keys for answers on Check matches, and a slider that shows at once what a
// threshold would have meant. Without it everything works by forms and links.
"use strict";

document.addEventListener("keydown", event => {
	if (event.ctrlKey || event.altKey || event.metaKey || event.repeat || busy(event.target)) {
		return;
	}
	const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
	const chosen = [...document.querySelectorAll("[data-key]")].find(e => e.dataset.key === key);
	if (chosen) {
		event.preventDefault();
		chosen.click();
	}
});

document.body.dataset.keys = "ready";

// busy tells where keys have a meaning of their own.
function busy(target) {
	return target.matches("textarea,select,input:not([type=checkbox],[type=hidden])");
}

// Nobody answers twice by pressing twice.
for (const form of document.querySelectorAll("form[method=post]")) {
	form.addEventListener("submit", event => {
		if (form.dataset.sent) {
			event.preventDefault();
		}
		form.dataset.sent = "true";
	});
}
addEventListener("pageshow", () => document.querySelectorAll("form[data-sent]").forEach(form => delete form.dataset.sent));

const form = document.getElementById("threshold");
if (form) {
	const number = form.querySelector("[type=number]");
	const slide = form.querySelector("[type=range]");
	let asking = null;
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
		asking?.abort();
		asking = new AbortController();
		const address = "/checks/threshold?distance=" + encodeURIComponent(number.value);
		try {
			const answer = await fetch(address, { signal: asking.signal, headers: { Accept: "text/html" } });
			if (!answer.ok || answer.redirected) {
				return;
			}
			const page = new DOMParser().parseFromString(await answer.text(), "text/html");
			const details = () => document.getElementById("outcome").querySelectorAll("details");
			const open = [...details()].map(d => d.open);
			document.getElementById("outcome").replaceWith(page.getElementById("outcome"));
			details().forEach((d, i) => { d.open = open[i] ?? false; });
			history.replaceState(null, "", address);
		} catch (error) {
			if (error.name !== "AbortError") {
				form.requestSubmit(); // the browser says what is wrong
			}
		}
	}
}
