// Takes a picture with the device's camera and says how good it is before it is kept.
const at = document.getElementById("camera");
const [lens, video, told, none] = [".lens", "video", ".told", "#no-camera"].map(s => at.querySelector(s));
let shot = null;

// show leaves the buttons of one step, and what is said there; bad is a fault.
function show(acts, says = "", bad = false) {
	for (const button of at.querySelectorAll("[data-act]")) {
		button.hidden = !acts.includes(button.dataset.act);
	}
	told.hidden = !says;
	told.textContent = says;
	told.classList.toggle("fault", bad);
}

async function send(query) {
	show("");
	try {
		const answer = await fetch(at.dataset.to + "?from=camera" + query,
			{method: "POST", headers: {"Content-Type": "image/jpeg", "Accept": "application/json"}, body: shot});
		return {good: answer.ok, ...await answer.json()};
	} catch {
		return {title: at.dataset.away};
	}
}

const fault = got => [got.title, got.detail].filter(Boolean).join(" ");

const acts = {
	async start() {
		try {
			video.srcObject = await navigator.mediaDevices.getUserMedia({video: {facingMode: "user", width: {ideal: 1280}}});
			await video.play();
			lens.hidden = false;
			show(["take"]);
		} catch {
			show(["start"], at.dataset.refused, true);
		}
	},
	async take() {
		video.pause();
		const canvas = document.createElement("canvas");
		[canvas.width, canvas.height] = [video.videoWidth, video.videoHeight];
		canvas.getContext("2d").drawImage(video, 0, 0);
		shot = await new Promise(done => canvas.toBlob(done, "image/jpeg", .92));
		show([], at.dataset.looking);
		const got = await send("&try=true");
		show(got.good ? ["keep", "again"] : ["again"], got.good ? got.says : fault(got), !got.good);
	},
	async keep() {
		const got = await send("");
		if (got.good) {
			location.assign(at.dataset.then);
		} else {
			show(["again"], fault(got), true);
		}
	},
	again() {
		video.play();
		show(["take"]);
	},
};

at.addEventListener("click", event => acts[event.target.dataset.act]?.());
if (navigator.mediaDevices) { // there by TLS, or on this device itself
	none.hidden = true;
	show(["start"]);
}
