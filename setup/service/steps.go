package service

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"

	"lintel/models"
)

// A Step is one thing that is done to the machine.
type Step struct {
	Does  string // what, as a key: place, keep, account, key, model, choose, folder …
	On    string // what it is done to: a path, or names
	Shell string // the shell's command for it
	// Packaged says that a package may bring what this makes.
	Packaged bool

	there func() (bool, error)
	do    func() error
}

// There reports whether nothing is to be done.
func (s Step) There() (bool, error) {
	if s.there == nil {
		return false, nil
	}
	there, err := s.there()
	if err != nil {
		return false, fmt.Errorf("looking at %s: %w", s.On, err)
	}
	return there, nil
}

// Do does it.
func (s Step) Do() error {
	if err := s.do(); err != nil {
		return fmt.Errorf("%s: %w", s.Shell, err)
	}
	return nil
}

// Install returns the steps that make the machine the house's server.
func (p Plan) Install() []Step {
	steps := []Step{p.program()}
	for _, name := range units {
		steps = append(steps, p.place(p.unit(name), p.text(name)))
	}
	settings := p.place(Settings, p.text("lintel.conf"))
	settings.Does, settings.there = "keep", p.exists(Settings) // the household's own, once it is there
	steps = append(steps, p.place(p.account(), p.text("sysusers.conf")), p.place(p.manual(), p.text("lintel.1")), settings,
		p.newAccount(), p.newKey())
	steps = append(steps, p.copies()...)
	steps = append(steps, p.choices()...)
	return append(steps, p.start()...)
}

// program puts the program where the units look for it.
func (p Plan) program() Step {
	to := p.real(p.bin())
	return Step{Does: "place", On: p.bin(), Shell: "install -D -m 755 " + p.Program + " " + to, Packaged: true,
		there: func() (bool, error) { return same(p.Program, to) },
		do:    func() error { return copyFile(p.Program, to, 0o755) }}
}

// place puts a file of this package's where it belongs.
func (p Plan) place(path string, text []byte) Step {
	to := p.real(path)
	return Step{Does: "place", On: path, Shell: "install -D -m 644 " + filepath.Base(path) + " " + to, Packaged: true,
		there: func() (bool, error) {
			has, err := os.ReadFile(to)
			if errors.Is(err, fs.ErrNotExist) {
				return false, nil
			}
			return bytes.Equal(has, text), err
		},
		do: func() error { return write(to, bytes.NewReader(text), 0o644) }}
}

// newAccount makes the system user that the service runs as.
func (p Plan) newAccount() Step {
	words := []string{"systemd-sysusers", p.real(p.account())}
	if p.Root != "" {
		words = []string{"systemd-sysusers", "--root=" + p.Root, p.real(p.account())}
	}
	s := p.run("account", User, words...)
	s.there = func() (bool, error) {
		_, err := user.Lookup(User)
		return err == nil && p.Root == "", nil
	}
	return s
}

// newKey makes the master key, once. The service manager reads it; the service's user can't.
func (p Plan) newKey() Step {
	to := p.real(Key)
	return Step{Does: "key", On: Key, Shell: "lintel install  # 256 random bits, to " + to + ", mode 0400",
		there: p.exists(Key),
		do: func() error {
			if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil { // the settings beside it are for all to read
				return err
			}
			if err := p.NewKey(to); err != nil {
				return err
			}
			return os.Chmod(to, 0o400)
		}}
}

// copies are of the model files that are right, and not there yet.
func (p Plan) copies() (steps []Step) {
	findings, _ := models.Check(p.Models, models.Optional) // what is missing is said by MissingModels
	for _, f := range findings {
		if f.State != models.OK {
			continue
		}
		from, path := filepath.Join(p.Models, f.File.Name), Models+"/"+f.File.Name
		to := p.real(path)
		steps = append(steps, Step{Does: "model", On: path, Shell: "install -D -m 644 " + from + " " + to,
			there: func() (bool, error) { return same(from, to) },
			do:    func() error { return copyFile(from, to, 0o644) }})
	}
	return steps
}

// choices keep what the household chose, and leave earlier choices as they are.
func (p Plan) choices() (steps []Step) {
	choose := func(unit, name string, text []byte) {
		s := p.place(addition(unit, name), text)
		s.Does, s.Packaged = "choose", false
		steps = append(steps, s)
	}
	if p.Listen != "" {
		choose("lintel.socket", "address", listenOn(p.Listen))
	}
	if p.MQTTListen != "" {
		choose("lintel-mqtt.socket", "address", listenOn(p.MQTTListen))
	}
	if p.Backup != "" {
		choose("lintel-backup.service", "folder", p.backupAddition())
		to := p.real(p.Backup)
		s := p.run("folder", p.Backup, "install", "-d", "-m", "700", "-o", User, "-g", User, to)
		s.there = func() (bool, error) { return ownedBy(to, User) }
		steps = append(steps, s)
	}
	return steps
}

// start has the units take effect, all at once: the server stops before its sockets do and starts after them, which its
// unit says. Without models it would not start, and the rest waits with it.
func (p Plan) start() []Step {
	starts := []string{"lintel.socket", "lintel.service", "lintel-verify.timer"}
	if p.chose("lintel-mqtt.socket", "address", p.MQTTListen) {
		starts = append(starts, "lintel-mqtt.socket")
	}
	if p.chose("lintel-backup.service", "folder", p.Backup) {
		starts = append(starts, "lintel-backup.timer")
	}
	names := strings.Join(starts, ", ")
	restart := p.run("start", names, append([]string{"systemctl", "restart"}, starts...)...)
	restart.there = func() (bool, error) { return !p.Booted() || p.Lacks() != nil, nil }
	return []Step{p.reload(), p.run("enable", names, append([]string{"systemctl", "enable"}, starts...)...), restart}
}

// chose reports whether the household chose something, now or before.
func (p Plan) chose(unit, name, now string) bool {
	before, _ := p.exists(addition(unit, name))()
	return now != "" || before
}

// Lacks says which model files the service lacks, nil if it has all that it needs.
func (p Plan) Lacks() error { return models.Present(p.real(Models)) }

func (p Plan) reload() Step {
	s := p.run("reload", "", "systemctl", "daemon-reload")
	s.there = func() (bool, error) { return !p.Booted(), nil }
	return s
}

// Uninstall returns the steps that undo Install, but for what Kept names.
func (p Plan) Uninstall() []Step {
	gone := func() bool {
		there, err := p.exists(p.unit("lintel.service"))()
		return err == nil && !there
	}
	stop := p.run("stop", strings.Join(units, ", "), append([]string{"systemctl", "stop"}, units...)...)
	stop.there = func() (bool, error) { return !p.Booted() || gone(), nil }
	disable := p.run("disable", strings.Join(wanted, ", "), append([]string{"systemctl", "disable"}, wanted...)...)
	disable.there = func() (bool, error) { return gone(), nil }
	steps := []Step{stop, disable}
	for _, path := range []string{addition("lintel.socket", "address"), addition("lintel-mqtt.socket", "address"),
		addition("lintel-backup.service", "folder")} {
		steps = append(steps, p.remove(path, false))
	}
	for _, name := range units {
		steps = append(steps, p.remove(p.unit(name), true))
	}
	return append(steps, p.remove(p.account(), true), p.remove(p.manual(), true), p.remove(p.bin(), true), p.reload())
}

// Kept are what Uninstall leaves: the archive, the models, the key and the settings.
func Kept() []string { return []string{Data, Models, Key, Settings} }

// remove removes a file.
func (p Plan) remove(path string, packaged bool) Step {
	from := p.real(path)
	return Step{Does: "remove", On: path, Shell: "rm " + from, Packaged: packaged,
		there: func() (bool, error) {
			there, err := p.exists(path)()
			return !there, err
		},
		do: func() error {
			if err := os.Remove(from); err != nil {
				return err
			}
			if dir := filepath.Dir(from); strings.HasSuffix(dir, ".d") {
				os.Remove(dir) // if nothing else is in it
			}
			return nil
		}}
}

// run is a step that is a command.
func (p Plan) run(does, on string, words ...string) Step {
	return Step{Does: does, On: on, Shell: strings.Join(words, " "), do: func() error { return p.Run(words...) }}
}

// Booted reports whether systemd runs the machine, which it does not in a container (sd_booted(3)).
func (p Plan) Booted() bool {
	runs, _ := p.exists("/run/systemd/system")()
	return runs
}

func (p Plan) exists(path string) func() (bool, error) {
	return func() (bool, error) {
		_, err := os.Lstat(p.real(path))
		if errors.Is(err, fs.ErrNotExist) {
			return false, nil
		}
		return err == nil, err
	}
}

// ownedBy reports whether the folder is there and the user's.
func ownedBy(path, name string) (bool, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	owner, unknown := user.Lookup(name)
	if err != nil || unknown != nil {
		return false, err
	}
	uid, err := strconv.Atoi(owner.Uid)
	return err == nil && uid == uidOf(info), err
}
