// Keeps what is typed into forms of class kept, in this tab alone, until it is saved,
// thrown away, twelve hours old, or somebody signs out. Passwords and what is hidden
// are never kept, but for the revision: what was begun from stays known.
import { get } from "./page.js";

const lasts = 12 * 3600 * 1000;
const read = (key) => JSON.parse(sessionStorage.getItem(key) ?? "null");
const chosen = (field) => ["checkbox", "radio"].includes(field.type);
const kept = (field) => field.name && (field.name === "revision" || !["hidden", "password", "submit", "file"].includes(field.type));
const words = (typed) => JSON.stringify(typed.filter(([name]) => name !== "revision"));

for (const key of Object.keys(sessionStorage).filter((key) => key.startsWith("draft "))) {
	const draft = read(key);
	if (Date.now() - draft.at > lasts || draft.sent && document.querySelector("[data-saved]")) sessionStorage.removeItem(key);
}
document.querySelector('form[action="/sign-out"]')?.addEventListener("submit", () => sessionStorage.clear());
document.querySelectorAll("form.kept").forEach(keep);

function keep(form) {
	const key = "draft " + form.dataset.who + " " + new URL(form.action).pathname;
	const fields = () => [...form.elements].filter(kept);
	const typed = () => fields().filter((f) => !chosen(f) || f.checked).map((f) => [f.name, f.value]);
	const save = (more) => sessionStorage.setItem(key, JSON.stringify({ at: Date.now(), typed: typed(), ...more }));
	const note = form.querySelector("[data-draft]");

	const draft = read(key);
	if ("typed" in form.dataset) { // drawn from what was sent
		note.hidden = !draft?.asked;
		save();
	} else if (draft && words(draft.typed) === words(typed())) sessionStorage.removeItem(key);
	else if (draft) restore(draft);
	for (const event of ["input", "change"]) form.addEventListener(event, () => save());
	form.addEventListener("submit", (event) => event.defaultPrevented || save({ sent: true }));
	note.querySelector("button").addEventListener("click", () => {
		sessionStorage.removeItem(key);
		location.replace(form.action);
	});

	function restore({ typed, at }) {
		const names = fields().map((f) => f.name);
		if ("again" in form.dataset && typed.some(([name]) => !names.includes(name))) return ask(typed);
		save({ typed, at });
		for (const field of fields()) {
			const at = typed.findIndex(([name, value]) => name === field.name && (!chosen(field) || value === field.value));
			if (chosen(field)) field.checked = at >= 0;
			else if (at >= 0) field.value = typed[at][1];
			if (at >= 0) typed.splice(at, 1);
		}
		form.dispatchEvent(new Event("restored"));
		note.hidden = false;
	}

	// ask has the server draw the form with as many fields as were typed into. It stays one
	// page of the browser's history.
	async function ask(typed) {
		save({ typed, asked: true });
		const body = new URLSearchParams([...typed, ["again", "true"]]);
		const page = await get(form.action, { method: "POST", body }), drawn = page?.querySelector("form.kept");
		if (!drawn) return dispatchEvent(new Event("away"));
		form.replaceWith(drawn);
		keep(drawn);
	}
}
