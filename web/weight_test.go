package web

import (
	"html"
	"path"
	"regexp"
	"strings"
	"testing"
)

var (
	imgTag    = regexp.MustCompile(`<img [^>]*>`)
	srcOf     = regexp.MustCompile(` src="([^"]*)"`)
	srcSetOf  = regexp.MustCompile(` srcset="([^"]*)"`)
	assetUsed = regexp.MustCompile(` (?:href|src)="(/assets/[^"]*)"`)
	imported  = regexp.MustCompile(`(?m)^import .* from "\./([^"]*)";$`)
)

// weigh counts the bytes of a page, the styles and scripts it names and those import, and
// all its pictures, those that a browser would load when they come into view among them, on a
// screen of so many pixels a point.
func (h *household) weigh(address string, pixels string, by option) (page, assets, pictures int) {
	h.t.Helper()
	body := string(h.get(address, by, browser).is(200).body)
	seen := make(map[string]bool)
	var size func(address string) int
	size = func(address string) int {
		if seen[address] {
			return 0
		}
		seen[address] = true
		body := h.get(html.UnescapeString(address), by).is(200).body
		sum := len(body)
		if path.Ext(address) == ".js" {
			for _, m := range imported.FindAllSubmatch(body, -1) {
				sum += size("/assets/" + string(m[1]))
			}
		}
		return sum
	}
	for _, m := range assetUsed.FindAllStringSubmatch(body, -1) {
		assets += size(m[1])
	}
	for _, tag := range imgTag.FindAllString(body, -1) {
		address := srcOf.FindStringSubmatch(tag)[1]
		if set := srcSetOf.FindStringSubmatch(tag); set != nil {
			for part := range strings.SplitSeq(set[1], ", ") {
				if at, density, ok := strings.Cut(part, " "); ok && density == pixels {
					address = at
				}
			}
		}
		pictures += size(address)
	}
	return len(body), assets, pictures
}

// TestPagesWeigh holds pages to what a household's network carries at once. Stills are
// as a bell sends them. The tablet on the wall has one pixel a point, at which Now is
// bound; how much it is with two is told.
func TestPagesWeigh(t *testing.T) {
	data, face := bellStill()
	h := newHouse(t)
	h.stood(60, data, face)
	resident := h.session(h.resident("Odile"))
	for _, test := range []struct {
		address, pixels string
		most            int
	}{
		{"/visits", "1x", 400_000}, {"/visits", "2x", 400_000}, {"/", "1x", 150_000}, {"/", "2x", 300_000},
	} {
		page, assets, pictures := h.weigh(test.address, test.pixels, resident)
		t.Logf("%s at %s: page %d, styles and scripts %d, pictures %d", test.address, test.pixels, page, assets, pictures)
		if sum := page + assets + pictures; sum > test.most || pictures == 0 {
			t.Errorf("%s at %s weighs %d bytes, %d at the most", test.address, test.pixels, sum, test.most)
		}
	}
}
