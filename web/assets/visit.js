// Shows on a still where a finding was made, and hides it again; prints the page.
// Without it each finding is a link to the page on which the server has drawn that.
"use strict";

document.addEventListener("click", (event) => {
	const sign = event.target.closest("a[data-shows]");
	if (event.target.id === "print") print();
	if (!sign) return;
	event.preventDefault();
	const still = sign.closest(".still"), show = !shown(sign);
	for (const other of still.querySelectorAll("a[data-shows]")) draw(other, other === sign && show);
	if (show) still.querySelector(".sight").scrollIntoView({ block: "nearest" });
});

// What is called a button is pressed by the space bar too.
document.addEventListener("keydown", (event) => {
	if (event.key !== " " || !event.target.matches("a[data-shows]")) return;
	event.preventDefault();
	event.target.click();
});

function region(sign) { return document.getElementById(sign.dataset.shows).classList; }
function shown(sign) { return region(sign).contains("shown"); }
function draw(sign, show) {
	region(sign).toggle("shown", show);
	sign.ariaPressed = show;
}

// ready makes buttons of what the page has, and again when that has changed.
function ready() {
	for (const sign of document.querySelectorAll("a[data-shows]")) {
		sign.role = "button";
		sign.removeAttribute("aria-current");
		draw(sign, shown(sign));
	}
	for (const button of document.querySelectorAll("#print")) button.hidden = false;
	document.body.dataset.signs = "ready";
}
document.addEventListener("redrawn", ready);
ready();
