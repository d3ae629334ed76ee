// Shows on a still where a finding was made, and hides it again. Without it
// each finding is a link to the page on which the server has drawn that.
"use strict";

for (const sign of document.querySelectorAll("a[data-shows]")) {
	const region = document.getElementById(sign.dataset.shows);
	const still = sign.closest(".still");
	sign.setAttribute("role", "button");
	sign.removeAttribute("aria-current");
	sign.setAttribute("aria-pressed", String(region.classList.contains("shown")));
	sign.addEventListener("click", event => {
		event.preventDefault();
		const show = !region.classList.contains("shown");
		for (const other of still.querySelectorAll("a[data-shows]")) {
			draw(other, other === sign && show);
		}
		if (show) {
			still.querySelector(".sight").scrollIntoView({ block: "nearest" });
		}
	});
	// What is called a button is pressed by the space bar too.
	sign.addEventListener("keydown", event => {
		if (event.key === " ") {
			event.preventDefault();
			sign.click();
		}
	});
}

document.body.dataset.signs = "ready";

function draw(sign, show) {
	document.getElementById(sign.dataset.shows).classList.toggle("shown", show);
	sign.setAttribute("aria-pressed", String(show));
}
