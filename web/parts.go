package web

import (
	"slices"
	"strings"
)

// A part is one of the pages that a screen has, with the addresses that belong to it.
type part struct {
	Part    string // its name is part- in the catalog
	Address string
	also    []string // prefixes
}

// partsOfRules are the four groups of what a household decides.
var partsOfRules = []part{
	{"keeping", keepingAddress, nil},
	{"privacy", "/rules/privacy", []string{"/rules/masks/", "/rules/lens/"}},
	{"letting-in", "/rules/advice", []string{"/rules/advice/"}},
	{"house", rulesHouseAddress, []string{"/rules/messages"}},
}

// partsOf are the pages beside the one at an address, and which that is; none where
// a screen is one page.
func partsOf(address string) (links []screenLink) {
	if !strings.HasPrefix(address, "/rules/") {
		return nil
	}
	for _, p := range partsOfRules {
		here := address == p.Address || strings.HasPrefix(address, p.Address+"/") ||
			slices.ContainsFunc(p.also, func(prefix string) bool { return strings.HasPrefix(address, prefix) })
		links = append(links, screenLink{Screen: p.Part, Address: p.Address, Here: here})
	}
	return links
}
