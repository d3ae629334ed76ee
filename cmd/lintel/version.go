package main

import "runtime/debug"

// version names this build of Lintel: another one may examine what it gave up. It is
// the module's version, and of a build from a repository the revision as well.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	name := info.Main.Version
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			name += " " + s.Value
		}
	}
	return name
}
