// Opens where a resident says whose a face is as a dialog, and says what became of it,
// with a way back. Without it the same is done on pages of their own.
import { get } from "./page.js";

const waits = 10_000; // ms that a bar stays

document.addEventListener("click", async (event) => {
	const opener = event.target.closest("a.this-is"), shut = event.target.closest("dialog [data-close]");
	if (opener || shut) event.preventDefault();
	shut?.closest("dialog").close();
	if (!opener) return;
	const page = await get(opener.href), form = page?.getElementById("who");
	if (!page) return dispatchEvent(new Event("away"));
	if (!form) return location.assign(opener.href);
	const dialog = document.body.appendChild(document.createElement("dialog"));
	dialog.setAttribute("aria-labelledby", "who-asks");
	fill(dialog, form);
	dialog.addEventListener("close", () => {
		dialog.remove();
		back(opener);
	});
	dialog.showModal();
});

document.addEventListener("submit", async (event) => {
	const form = event.target, dialog = form.closest("dialog");
	if (!dialog && !form.closest("#marked")) return;
	event.preventDefault();
	const opener = document.activeElement;
	const page = await get(form.action, { method: "POST", body: new URLSearchParams(new FormData(form, event.submitter)) });
	if (!page) return dispatchEvent(new Event("away"));
	const again = page.querySelector("#who, #hand"); // a tablet is asked for a PIN
	if (dialog && again) { // with what is wrong beside its field
		fill(dialog, again);
		dialog.querySelector("[aria-invalid]")?.focus();
	} else if (page.getElementById("marked")) {
		redraw(page);
		dialog ? dialog.close() : back(opener);
	} else location.reload();
});

// redraw shows what was said: on a visit all of it, elsewhere in a bar.
function redraw(page) {
	const told = page.getElementById("marked");
	document.getElementById("marked")?.remove();
	told.remove();
	if (document.querySelector("main :is(.visitors, .story)")) {
		const kept = document.getElementById("boxes")?.checked;
		document.querySelector("main").replaceWith(page.querySelector("main"));
		if (kept) document.getElementById("boxes").checked = true;
		document.dispatchEvent(new Event("redrawn"));
	}
	told.classList.add("bar-below");
	const says = [...told.childNodes];
	told.replaceChildren();
	document.body.append(told); // a status is heard when it is filled
	requestAnimationFrame(() => told.append(...says));
	if (!matchMedia("(prefers-reduced-motion: reduce)").matches) setTimeout(leave, waits, told);
}

// leave lets a bar go, but not from under a hand or the focus.
function leave(bar) {
	if (bar.matches(":hover, :focus-within")) setTimeout(leave, waits / 4, bar);
	else bar.remove();
}

// back puts the focus where it was, or where that is drawn now.
function back(opener) {
	const all = [...document.querySelectorAll("a.this-is")];
	(opener.isConnected ? opener : all.find((a) => a.href === opener.href) ?? all[0])?.focus();
}

// fill puts the form into its dialog, with a search where there are many people.
function fill(dialog, form) {
	dialog.replaceChildren(form);
	const search = form.querySelector(".search"), people = form.querySelectorAll(".people li");
	if (!search || people.length < 9) return;
	const plain = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();
	search.hidden = false;
	search.addEventListener("input", (event) => {
		for (const one of people) one.hidden = !plain(one.textContent).includes(plain(event.target.value.trim()));
	});
	search.addEventListener("keydown", (event) => {
		if (event.key === "Enter") event.preventDefault(); // it would press the first button, seen or not
	});
}
