package words

import (
	"fmt"

	"lintel/internal/house"
)

// strangers writes of how many strangers one has that rate, an FPIR, in two figures
// that matter. It is false where that would promise more than was ever measured,
// which ends not far below 1 in 10 000.
func strangers(rate float64) (amount string, ok bool) {
	n := 1 / rate
	if n >= 10_000 {
		return "", false
	}
	amount = fmt.Sprintf("%.0f", n)
	for i := 2; i < len(amount); i++ {
		amount = amount[:i] + "0" + amount[i+1:]
	}
	return thousands(amount), true
}

// Alike says how often a stranger looks as much like somebody enrolled as this, by
// the FPIR: "About 1 stranger in 1 900 would look this much like somebody here."
func (w Words) Alike(fpir float64) string {
	if fpir > 0.5 {
		return w.Text("odds-most-here")
	}
	if amount, ok := strangers(fpir); ok {
		return w.Text("odds-about-here", "Amount", amount)
	}
	return w.Text("odds-few-here")
}

// Probably says how likely it is that a face is somebody's: "Very probably Ada
// Quill". Which word stands for which number is our own choice.
func (w Words) Probably(name string, probability float64) string {
	switch {
	case probability >= 0.999:
		return w.Text("probably-almost-certain", "Name", name)
	case probability >= 0.99:
		return w.Text("probably-very", "Name", name)
	case probability >= 0.9:
		return w.Text("probably", "Name", name)
	case probability >= 0.5:
		return w.Text("probably-possible", "Name", name)
	}
	return w.Text("probably-not", "Name", name)
}

// Gain says what a picture adds to the others of a person: by the band and the
// FPIR that a face like it has by those.
func (w Words) Gain(name string, others int, band string, fpir float64) string {
	switch {
	case others == 0:
		return w.Text("gain-first", "Name", name)
	case band == "none":
		return w.Text("gain-much", "Name", name)
	case band == "strong":
		return w.Text("gain-hardly")
	}
	return w.Text("gain-some", "Name", name, "Band", w.BandName(band), "Alike", w.Alike(fpir))
}

// BandName is what a band is called.
func (w Words) BandName(band string) string { return w.Text("band-" + band) }

// Sign is what a sign of a picture is called. Archives can hold findings of signs
// that this version does not know.
func (w Words) Sign(code string) string {
	says, err := w.Lookup("sign-name-" + code)
	if err != nil {
		return w.Text("sign-other", "Code", code)
	}
	return says
}

// Period spells a period out: "72 hours", "1 day".
func (w Words) Period(p house.Period) string {
	if p.Days > 0 {
		return w.N(p.Days, "day")
	}
	return w.N(p.Hours, "hour")
}
