// What several scripts do: draw a part of a page anew, and hear what is new.

// get returns the page at an address, whatever it says, and null without an answer.
export async function get(address, options) {
	try {
		const answer = await fetch(address, { headers: { Accept: "text/html" }, ...options });
		return new DOMParser().parseFromString(await answer.text(), "text/html");
	} catch {
		return null;
	}
}

// write changes a text only where it differs: what is the same is not read out again.
export function write(e, text) {
	if (e.textContent !== text) e.textContent = text;
}

const silence = 40_000; // ms without a word, after which a connection is taken for dead

// listen hears of all that is new since a revision, over one connection after another.
export function listen(since, { opened, heard, lost }) {
	let wait = 1_000; // ms before the next try
	connect();

	function connect() {
		const socket = new WebSocket(`${location.origin.replace("http", "ws")}/api/v1/live?since=${since}`);
		let over = false, watchdog;
		watch();
		socket.onopen = () => { wait = 1_000; opened(); };
		socket.onmessage = (event) => {
			watch();
			const message = JSON.parse(event.data);
			heard(message);
			since = Math.max(since, message.revision);
		};
		socket.onclose = ended;

		function watch() {
			clearTimeout(watchdog);
			watchdog = setTimeout(() => { socket.close(); ended(); }, silence);
		}

		// A dead connection may take its time to close, so ended may be called twice.
		function ended(event) {
			if (over) return;
			over = true;
			clearTimeout(watchdog);
			if (event?.reason === "signed-out") return location.assign("/"); // a tablet that a resident left, or else to sign in
			lost();
			setTimeout(connect, wait * (0.75 + Math.random() / 2));
			wait = Math.min(wait * 2, 10_000);
		}
	}
}
