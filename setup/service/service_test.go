package service

import (
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"filippo.io/age"
)

// A machine is a folder that stands for one, and the commands that were run on it.
type machine struct {
	Plan
	t   *testing.T
	ran []string
}

func newMachine(t *testing.T) *machine {
	t.Helper()
	m := &machine{t: t}
	program := filepath.Join(t.TempDir(), "lintel")
	if err := os.WriteFile(program, []byte("#!/bin/sh\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	m.Plan = Plan{Program: program, Models: t.TempDir(), Root: t.TempDir(),
		Run:    func(words ...string) error { m.ran = append(m.ran, strings.Join(words, " ")); return nil },
		NewKey: func(path string) error { return os.WriteFile(path, []byte("a key"), 0o600) }}
	return m
}

// does does what is to be done of the steps, and returns which were.
func (m *machine) does(steps []Step) (done []string) {
	m.t.Helper()
	m.ran = nil
	for _, s := range steps {
		there, err := s.There()
		if err == nil && !there {
			err = s.Do()
			done = append(done, s.Does+" "+s.On)
		}
		if err != nil {
			m.t.Fatal(err)
		}
	}
	return done
}

// has lists the machine's files, with their modes.
func (m *machine) has() (all []string) {
	m.t.Helper()
	err := filepath.WalkDir(m.Root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		info, err := d.Info()
		all = append(all, info.Mode().String()+" "+strings.TrimPrefix(path, m.Root))
		return err
	})
	if err != nil {
		m.t.Fatal(err)
	}
	return all
}

func (m *machine) write(path, text string) {
	m.t.Helper()
	path = m.real(path)
	if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o600)); err != nil {
		m.t.Fatal(err)
	}
}

func (m *machine) read(path string) string {
	m.t.Helper()
	text, err := os.ReadFile(m.real(path))
	if err != nil {
		m.t.Fatal(err)
	}
	return string(text)
}

// A second installation has nothing to do but to start the program, which may be
// another; and what the household wrote or chose stays.
func TestInstallTwice(t *testing.T) {
	m := newMachine(t)
	m.Listen = "0.0.0.0:8420"
	first := m.does(m.Install())
	for _, want := range []string{"place /usr/local/bin/lintel", "place /usr/local/lib/systemd/system/lintel.service",
		"keep /etc/lintel/lintel.conf", "key /etc/lintel/master.key",
		"choose /etc/systemd/system/lintel.socket.d/address.conf"} {
		if !slices.Contains(first, want) {
			t.Errorf("%q is not among %q", want, first)
		}
	}
	m.write(Settings, "LANG=de_DE.UTF-8\n")
	m.write(Data+"/archive.db", "somebody's own")
	m.Listen = ""
	before := m.has()
	for _, done := range m.does(m.Install()) {
		if does, _, _ := strings.Cut(done, " "); does != "account" && does != "enable" {
			t.Errorf("did again: %s", done)
		}
	}
	if has := m.has(); !slices.Equal(has, before) {
		t.Errorf("has %q, had %q", has, before)
	}
	if !slices.Contains(before, "-r-------- "+Key) {
		t.Errorf("the key is not for root alone: %q", before)
	}
	if address := m.read("/etc/systemd/system/lintel.socket.d/address.conf"); m.read(Settings) != "LANG=de_DE.UTF-8\n" ||
		!strings.Contains(address, "\nListenStream=\nListenStream=0.0.0.0:8420\n") {
		t.Error("what the household wrote is gone")
	}
	if err := os.WriteFile(m.Program, []byte("#!/bin/sh\n: newer\n"), 0o755); err != nil {
		t.Fatal(err)
	}
	if done := m.does(m.Install()); !slices.Contains(done, "place /usr/local/bin/lintel") ||
		m.read("/usr/local/bin/lintel") != "#!/bin/sh\n: newer\n" {
		t.Errorf("a newer program: did %q", done)
	}
}

// Whatever is uninstalled, the archive, the key, the settings, and what is not
// Lintel's stay.
func TestUninstall(t *testing.T) {
	m := newMachine(t)
	m.Listen, m.MQTTListen, m.Backup, m.Recipients = "0.0.0.0:8420", "0.0.0.0:8421", "/mnt/disk", []string{someone(t)}
	m.write("/etc/systemd/system/lintel.service.d/own.conf", "[Service]\nNice=5\n")
	m.write("/etc/systemd/system/lintel.socket.d/own.conf", "[Socket]\nBacklog=5\n")
	m.write(Data+"/archive.db", "somebody's own")
	m.does(m.Install())
	m.does(m.Uninstall())
	want := []string{"-rw------- /etc/systemd/system/lintel.service.d/own.conf",
		"-rw------- /etc/systemd/system/lintel.socket.d/own.conf",
		"-rw------- /var/lib/lintel/archive/archive.db",
		"-r-------- /etc/lintel/master.key", "-rw-r--r-- /etc/lintel/lintel.conf"}
	has := m.has()
	slices.Sort(has)
	if slices.Sort(want); !slices.Equal(has, want) {
		t.Errorf("has %q, want %q", has, want)
	}
	if done := m.does(m.Uninstall()); len(done) > 0 {
		t.Errorf("did again: %q", done)
	}
}

// The units start what there is: the broker and backups only if they were chosen, now
// or before; and where systemd does not run, or models are missing, nothing is started.
func TestStarts(t *testing.T) {
	m := newMachine(t)
	m.does(m.Install())
	if want := []string{"systemd-sysusers --root=" + m.Root + " " + m.real("/usr/local/lib/sysusers.d/lintel.conf"),
		"systemctl enable lintel.socket lintel.service lintel-verify.timer"}; !slices.Equal(m.ran, want) {
		t.Errorf("ran %q, want %q", m.ran, want)
	}
	if err := os.MkdirAll(m.real("/run/systemd/system"), 0o755); err != nil {
		t.Fatal(err)
	}
	m.MQTTListen, m.Backup, m.Recipients = "0.0.0.0:8421", "/mnt/disk", []string{someone(t)}
	m.does(m.Install())
	m.MQTTListen, m.Backup, m.Recipients = "", "", nil
	m.does(m.Install())
	all := "lintel.socket lintel.service lintel-verify.timer lintel-mqtt.socket lintel-backup.timer"
	if ran := m.ran[len(m.ran)-2:]; !slices.Equal(ran, []string{"systemctl daemon-reload", "systemctl enable " + all}) {
		t.Errorf("ran %q", ran)
	}
}

// What can't be said in a unit is refused before anything is done.
func TestCheck(t *testing.T) {
	one := someone(t)
	for _, c := range []struct {
		plan Plan
		want error
	}{
		{Plan{}, nil},
		{Plan{Listen: "[::]:8420", MQTTListen: "192.168.1.5:8421"}, nil},
		{Plan{Listen: "pi.local:8420"}, ErrAddress},
		{Plan{MQTTListen: "8421\nExecStart=x"}, ErrAddress},
		{Plan{Backup: "/mnt/disk", Recipients: []string{one, someone(t)}}, nil},
		{Plan{Backup: "/mnt/disk"}, ErrRecipient},
		{Plan{Backup: "/mnt/disk", Recipients: []string{"age1" + strings.Repeat("q", 58)}}, ErrRecipient},
		{Plan{Backup: "/mnt/disk", Recipients: []string{one + "\nage1x"}}, ErrRecipient},
		{Plan{Recipients: []string{one}}, ErrFolder},
		{Plan{Backup: "disk", Recipients: []string{one}}, ErrFolder},
		{Plan{Backup: "/mnt/../etc", Recipients: []string{one}}, ErrFolder},
		{Plan{Backup: "/mnt/my disk", Recipients: []string{one}}, ErrFolder},
		{Plan{Backup: "/mnt/%h", Recipients: []string{one}}, ErrFolder},
	} {
		if err := c.plan.Check(); !errors.Is(err, c.want) || (err == nil) != (c.want == nil) {
			t.Errorf("%+v: %v, want %v", c.plan, err, c.want)
		}
	}
}

func someone(t *testing.T) string {
	t.Helper()
	identity, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	return identity.Recipient().String()
}

// systemd takes the units as they are, with all that a household may choose, and finds
// little that they may do: 2.5 at most, where 10 is the worst.
//
// Outside: systemd-analyze verify and security.
func TestUnits(t *testing.T) {
	if _, err := exec.LookPath("systemd-analyze"); err != nil {
		t.Skip("SKIPPED: there is no systemd-analyze here to judge the units")
	}
	m := newMachine(t)
	m.Listen, m.MQTTListen, m.Backup, m.Recipients = "0.0.0.0:8420", "[::]:8421", "/mnt/disk", []string{someone(t)}
	m.does(m.Install())
	var paths []string
	for _, name := range units {
		// Whether a program is there is looked for on this machine.
		text := strings.ReplaceAll(m.read(m.unit(name)), m.bin(), m.Program)
		for addition := range additions(m, name) {
			text += "\n" + addition
		}
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		paths = append(paths, path)
		if !strings.HasSuffix(name, ".service") {
			continue
		}
		out, err := exec.Command("systemd-analyze", "--no-pager", "security", "--offline=yes", "--threshold=25",
			path).CombinedOutput()
		if err != nil || !strings.Contains(string(out), "Overall exposure level for "+name) {
			t.Errorf("%s: %v\n%s", name, err, out)
		}
		lines := strings.Split(strings.TrimSpace(string(out)), "\n")
		t.Log(lines[len(lines)-1])
	}
	verify := exec.Command("systemd-analyze", append([]string{"--man=no", "verify"}, paths...)...)
	if out, err := verify.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("verify: %v\n%s", err, out)
	}
}

// additions are what the household chose of a unit.
func additions(m *machine, unit string) func(func(string) bool) {
	return func(yield func(string) bool) {
		found, _ := filepath.Glob(m.real(filepath.Join(chosen, unit+".d", "*.conf")))
		for _, path := range found {
			text, err := os.ReadFile(path)
			if err != nil {
				m.t.Fatal(err)
			}
			if !yield(string(text)) {
				return
			}
		}
	}
}

// systemd makes the user of the description.
//
// Outside: systemd-sysusers.
func TestAccount(t *testing.T) {
	if _, err := exec.LookPath("systemd-sysusers"); err != nil {
		t.Skip("SKIPPED: there is no systemd-sysusers here to read the description of the user")
	}
	m := newMachine(t)
	m.Run = func(words ...string) error {
		if words[0] != "systemd-sysusers" {
			return nil
		}
		if os.Geteuid() != 0 {
			words = slices.Insert(words, 1, "--dry-run")
		}
		out, err := exec.Command(words[0], words[1:]...).CombinedOutput()
		t.Logf("%s: %s", strings.Join(words, " "), out)
		return err
	}
	m.does(m.Install())
	if os.Geteuid() != 0 {
		return
	}
	if accounts := m.read("/etc/passwd"); !strings.Contains(accounts,
		":Lintel, the server of the house's doorbells:/var/lib/lintel:/usr/sbin/nologin\n") {
		t.Errorf("made %s", accounts)
	}
}

// The settings are read as the service manager reads them.
//
// Outside: the rules of EnvironmentFile= in systemd.exec(5).
func TestEnvironment(t *testing.T) {
	m := newMachine(t)
	m.write(Settings, "# a remark\n; another\nLANG=de_DE.UTF-8\n"+
		"  LINTEL_SERVE = \"--watch front=/srv/front\"\nnothing\n\nTZ='Europe/Berlin'\n")
	got, err := m.Environment()
	want := []string{"LINTEL_DATA=" + Data, "LINTEL_MODELS=" + Models, "LINTEL_CHANGES=" + Changes,
		"LINTEL_KEY_ORIGIN=" + Key, "LANG=de_DE.UTF-8", "LINTEL_SERVE=--watch front=/srv/front", "TZ=Europe/Berlin"}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("got %q, %v, want %q", got, err, want)
	}
	os.Remove(m.real(Settings))
	if got, err := m.Environment(); err != nil || len(got) != 4 {
		t.Errorf("without settings: %q, %v", got, err)
	}
}
