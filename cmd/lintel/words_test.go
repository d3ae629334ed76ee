package main

import "testing"

// Which variable counts is POSIX.1-2017's (Base Definitions, 8.2), names of locales
// are as `locale -a` lists them on Debian.
func TestLocale(t *testing.T) {
	for _, c := range []struct {
		all, messages, lang, want string
	}{
		{"", "", "", "en"},
		{"C", "", "de_DE.UTF-8", "en"}, {"C.UTF-8", "de_DE.utf8", "", "en"}, {"POSIX", "", "", "en"},
		{"", "", "de_DE.UTF-8", "de"}, {"", "de_AT.utf8", "en_GB.UTF-8", "de"}, {"de_DE@euro", "en_GB", "", "de"},
		{"", "", "en_GB.UTF-8", "en"}, {"", "", "fr_FR.UTF-8", "en"}, {"", "", "no such locale", "en"},
	} {
		env := map[string]string{"LC_ALL": c.all, "LC_MESSAGES": c.messages, "LANG": c.lang}
		if got := locale(func(name string) string { return env[name] }); got != c.want {
			t.Errorf("%v: %s, want %s", env, got, c.want)
		}
	}
}
