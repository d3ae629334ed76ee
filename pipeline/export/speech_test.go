package export

import (
	"regexp"
	"strings"
	"testing"
)

// TestPageSpeaksByTheCatalog takes away actions, styles and tags. No word may be
// left.
func TestPageSpeaksByTheCatalog(t *testing.T) {
	text := regexp.MustCompile(`(?s)\{\{.*?\}\}|<style>.*?</style>`).ReplaceAllString(pageText, "")
	for _, says := range regexp.MustCompile(`(?s)<[^>]*>`).Split(text, -1) {
		if regexp.MustCompile(`\p{L}{2,}`).MatchString(says) {
			t.Errorf("the page says by itself: %q", strings.TrimSpace(says))
		}
	}
	for _, attribute := range regexp.MustCompile(`(?:alt|title|aria-label)="([^"{]*\p{L}[^"]*)"`).FindAllString(text,
		-1) {
		t.Errorf("the page says by itself: %s", attribute)
	}
}
