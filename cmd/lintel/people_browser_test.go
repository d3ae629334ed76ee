package main

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/disintegration/imaging"
)

// TestPeopleInBrowser adds a person by touch, at the tablet and at a phone: a name and
// a consent, then pictures from files and from the device's own camera, poor ones
// refused with what to do; removes one, and withdraws the consent. The browser's camera
// is a film of one of dlib's example photographs, so that a face is really found on it;
// the names are invented.
func TestPeopleInBrowser(t *testing.T) {
	h := newHousehold(t)
	photo := filepath.Join(h.models, "examples", "2009_004587.jpg")
	if _, err := os.Stat(photo); err != nil {
		t.Skip("SKIPPED: dlib's example photographs are missing; `make test` fetches them")
	}
	face := cutOut(t, photo, image.Rect(110, 0, 280, 170))
	h.serve()
	defer h.stop()
	tablet := newBrowser(t, 1280, 800, filmed(t, face, 1)...)
	do(t, tablet, chromedp.Navigate(h.link))
	fill(t, tablet, "name", "Morgan Vale", "password", "a very quiet lantern", "again", "a very quiet lantern")
	phone := newBrowser(t, 390, 844, filmed(t, face, .35)...)
	do(t, phone, chromedp.Navigate(h.url+"/sign-in"))
	fill(t, phone, "name", "Morgan Vale", "password", "a very quiet lantern")

	do(t, tablet, chromedp.EmulateViewport(1280, 800, chromedp.EmulateTouch))
	do(t, phone, chromedp.EmulateViewport(390, 844, chromedp.EmulateTouch))

	p := peopleScreens{h, tablet, phone}
	p.adds(tablet, "1280", "Ada Quill")
	p.sendsFiles(tablet, "1280", face, filepath.Join(h.models, "examples", "dogs.jpg"))
	p.adds(phone, "390", "Ben Sorrel")
	p.isRefused(phone)
	p.takesPicture(tablet)
	p.removesOne(tablet)
	p.withdraws(phone)
}

// peopleScreens are the browsers that somebody is added in.
type peopleScreens struct {
	*household
	tablet, phone context.Context
}

// adds fills in who it is and who agrees, after the server refused what the browser
// let through.
func (p peopleScreens) adds(browser context.Context, width, name string) {
	p.t.Helper()
	do(p.t, browser, chromedp.Navigate(p.url+"/people"))
	see(p.t, browser, "main", `Add a person`)
	whole(p.t, browser, "people-"+width)
	touchOn(p.t, browser, `a[href="/people/new"]`)
	see(p.t, browser, "main", `biometric data.*On which day.*To what`)
	do(p.t, browser, chromedp.SendKeys(chromedp.CSS(`main [name=name]`), name))
	do(p.t, browser, chromedp.SendKeys(chromedp.CSS(`[name=given_by]`), " "))
	touchOn(p.t, browser, "main .act")
	see(p.t, browser, "#fault-given_by", `who agreed`)
	whole(p.t, browser, "person-new-refused-"+width)
	do(p.t, browser, chromedp.Clear(chromedp.CSS(`[name=given_by]`)))
	do(p.t, browser, chromedp.SendKeys(chromedp.CSS(`[name=given_by]`), name))
	touchOn(p.t, browser, "main .act")
	see(p.t, browser, ".told", name+" was added")
	see(p.t, browser, "main", `does not know `+name+` by the face yet`)
	whole(p.t, browser, "pictures-empty-"+width)
}

// sendsFiles sends one photograph of a face and one of dogs.
func (p peopleScreens) sendsFiles(browser context.Context, width string, files ...string) {
	p.t.Helper()
	do(p.t, browser, chromedp.SetUploadFiles(chromedp.CSS(`input[type=file]`), files))
	touchOn(p.t, browser, `form[enctype] button`)
	see(p.t, browser, ".uploads", `This is a good picture.*No face was found. Choose a photograph`)
	see(p.t, browser, "main", `is known by 1 picture of 5.*From a file`)
	pictured(p.t, browser)
	whole(p.t, browser, "pictures-sent-"+width)
}

// isRefused takes a picture in poor light, and is told what to do at once.
func (p peopleScreens) isRefused(browser context.Context) {
	p.t.Helper()
	p.shoots(browser)
	see(p.t, browser, "#camera .told.fault", `The face is blurred. Hold still, wipe the lens, and make more light`)
	if do(p.t, browser, chromedp.Evaluate[bool](`document.querySelector("[data-act=keep]").checkVisibility()`)) {
		p.t.Error("a picture that was refused can be kept")
	}
	whole(p.t, browser, "camera-refused-390")
	touchOn(p.t, browser, "[data-act=again]")
	until(p.t, browser, `document.querySelector("[data-act=take]").checkVisibility()`)
}

// takesPicture takes another picture of who was added last, looks at what it adds, and
// keeps it.
func (p peopleScreens) takesPicture(browser context.Context) {
	p.t.Helper()
	do(p.t, browser, chromedp.Navigate(p.url+"/people"))
	touchOn(p.t, browser, ".tiles li:last-child a")
	see(p.t, browser, "main", `Ben Sorrel by the face yet`)
	touchOn(p.t, browser, `main a.act`)
	p.shoots(browser)
	see(p.t, browser, "#camera .told", `This is a good picture. This is the first picture of Ben Sorrel`)
	whole(p.t, browser, "camera-good-1280")
	touchOn(p.t, browser, "[data-act=keep]")
	see(p.t, browser, "main", `1 reference enrolled.*Ben Sorrel is known by 1 picture of 5.*By the camera`)
	pictured(p.t, browser)
	do(p.t, browser, chromedp.Navigate(p.url+"/people"))
	see(p.t, browser, "main", `Ada Quill\s+1 picture.*Ben Sorrel\s+1 picture`)
	pictured(p.t, browser)
	for _, b := range []struct {
		browser context.Context
		width   string
	}{{p.tablet, "1280"}, {p.phone, "390"}} {
		do(p.t, b.browser, chromedp.Navigate(p.url+"/people"))
		pictured(p.t, b.browser)
		whole(p.t, b.browser, "people-two-"+b.width)
		touchOn(p.t, b.browser, ".tiles li:first-child a")
		see(p.t, b.browser, "#doubles", `Easily confused with.*Ben Sorrel`)
		pictured(p.t, b.browser)
		whole(p.t, b.browser, "person-"+b.width)
	}
}

// shoots takes a picture with the browser's camera, once it shows something.
func (p peopleScreens) shoots(browser context.Context) {
	p.t.Helper()
	touchOn(p.t, browser, "[data-act=start]")
	until(p.t, browser, `document.querySelector("#camera video").videoWidth > 0 && `+
		`document.querySelector("[data-act=take]").checkVisibility()`)
	touchOn(p.t, browser, "[data-act=take]")
}

// removesOne takes away the only picture of the first person.
func (p peopleScreens) removesOne(browser context.Context) {
	p.t.Helper()
	touchOn(p.t, browser, "#pictures li a")
	see(p.t, browser, "main", `would go for good.*It is the only one`)
	pictured(p.t, browser)
	whole(p.t, browser, "reference-remove-1280")
	touchOn(p.t, browser, "main button.danger")
	see(p.t, browser, "main", `The picture was removed.*does not know Ada Quill by the face yet`)
}

// withdraws ends the consent of the second person, whom nothing is kept of then.
func (p peopleScreens) withdraws(browser context.Context) {
	p.t.Helper()
	do(p.t, browser, chromedp.Navigate(p.url+"/people"))
	touchOn(p.t, browser, ".tiles li:last-child a")
	touchOn(p.t, browser, `#consent a.danger`)
	see(p.t, browser, "main", `1 reference of Ben Sorrel would go for good`)
	touchOn(p.t, browser, "main button.danger")
	see(p.t, browser, "main", `The consent is withdrawn.*no consent is in force`)
	whole(p.t, browser, "person-withdrawn-390")
	do(p.t, browser, chromedp.Navigate(p.url+"/people"))
	see(p.t, browser, "main", `Ben Sorrel\s+No consent`)
	if n := do(p.t, browser, chromedp.Evaluate[int](`document.querySelectorAll(".tiles img").length`)); n != 0 {
		p.t.Errorf("%d pictures are left", n)
	}
}

// pictured waits until all pictures of a page are drawn, or stand further down.
func pictured(t *testing.T, browser context.Context) {
	t.Helper()
	until(t, browser, `[...document.images].every(i => i.complete && i.naturalWidth > 0 || i.loading === "lazy")`)
}

// touchOn taps with a finger on the middle of what a selector finds, once it is there
// and can be seen.
func touchOn(t *testing.T, browser context.Context, selector string) {
	t.Helper()
	at := fmt.Sprintf(`(e => { if (!e?.checkVisibility()) return null; e.scrollIntoView({block: "center"}); `+
		`const r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })(document.querySelector(%q))`,
		selector)
	until(t, browser, `document.readyState === "complete" && `+at+` !== null`)
	middle := do(t, browser, chromedp.Evaluate[[]float64](at))
	do(t, browser, chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		_, err := cdp.Call(ctx, target, input.DispatchTouchEvent, input.DispatchTouchEventParams{
			Type: input.DispatchTouchEventTypeTouchStart, TouchPoints: []*input.TouchPoint{{X: middle[0], Y: middle[1]}}})
		if err == nil {
			_, err = cdp.Call(ctx, target, input.DispatchTouchEvent, input.DispatchTouchEventParams{
				Type: input.DispatchTouchEventTypeTouchEnd, TouchPoints: []*input.TouchPoint{}})
		}
		return err
	}))
}

// filmed gives a browser a camera that films a photograph, as dark as a gamma under 1
// makes it, and has it lend that to any page.
func filmed(t *testing.T, photo string, gamma float64) []chromedp.ExecAllocatorOption {
	t.Helper()
	face, err := imaging.Open(photo)
	if err != nil {
		t.Fatal(err)
	}
	frame := image.NewRGBA(image.Rect(0, 0, 640, 480))
	draw.Draw(frame, frame.Rect, image.NewUniform(color.Gray{120}), image.Point{}, draw.Src)
	corner := image.Pt((640-face.Bounds().Dx())/2, (480-face.Bounds().Dy())/2)
	draw.Draw(frame, face.Bounds().Add(corner), imaging.AdjustGamma(face, gamma), image.Point{}, draw.Src)
	var film bytes.Buffer
	for range 2 { // Motion JPEG is one JPEG after the other
		if err := jpeg.Encode(&film, frame, &jpeg.Options{Quality: 95}); err != nil {
			t.Fatal(err)
		}
	}
	file := filepath.Join(t.TempDir(), "film.mjpeg")
	if err := os.WriteFile(file, film.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	return []chromedp.ExecAllocatorOption{chromedp.Flag("use-fake-device-for-media-stream", true),
		chromedp.Flag("use-fake-ui-for-media-stream", true), chromedp.Flag("use-file-for-fake-video-capture", file)}
}
