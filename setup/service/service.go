// Package service makes Lintel a service of a machine with systemd, and undoes that.
//
//	plan := service.Plan{Program: "build/lintel", Models: "models"}
//	for _, step := range plan.Install() {
//		there, err := step.There() // nothing is to be done
//		err = step.Do()
//	}
//
// What comes in is a plan: where the program and the model files are, and what the household chose. What goes out is
// one list of steps, each with the shell's command for it, so that what is shown, what is done and what a package holds
// can't differ. Steps may be done again at any time; what is there already is left as it is. No step makes, opens or
// removes an archive.
//
// The program, the units and the system user's description lie below Prefix, where a package may bring them; what the
// machine alone can hold (its user, the key, the chosen addresses) comes after. The folder files has the units as
// templates: house is what all services on the archive have in common, confined takes every right from them that they
// don't use.
package service

import (
	"bytes"
	"embed"
	"errors"
	"fmt"
	"net/netip"
	"path"
	"regexp"
	"strings"
	"text/template"

	"filippo.io/age"
)

// Where things lie on every machine. The archive's folder has nothing else in it, and the key is not with it.
const (
	User     = "lintel"
	State    = "/var/lib/lintel"
	Data     = State + "/archive"
	Models   = State + "/models"
	Changes  = State + "/count/changes"
	Key      = "/etc/lintel/master.key"
	Settings = "/etc/lintel/lintel.conf"
	chosen   = "/etc/systemd/system" // what the household chose of units, as additions to them
)

// Prefix is where the files lie that no package brought.
const Prefix = "/usr/local"

var (
	// ErrAddress says that an address to listen on is none.
	ErrAddress = errors.New("an address has numbers and a port, as 0.0.0.0:8420 has")
	// ErrFolder says that a unit can't name a folder.
	ErrFolder = errors.New("a folder of backups is named from / on, in letters, digits and ._-/ alone")
	// ErrRecipient says that a backup has nobody to be for, or something else than that.
	ErrRecipient = errors.New("a backup is for the public keys of age, and for one at least")
)

// A Plan says what is to be installed.
type Plan struct {
	Program string // the program's file
	Models  string // the folder of model files; those that are right are copied
	Prefix  string // "" for Prefix

	// Choices of the household. What is "" stays as it is, or as the units have it.
	Listen     string   // the address of pages, bells and programs
	MQTTListen string   // the address of the broker
	Backup     string   // the folder to back up to each night
	Recipients []string // whom backups are for

	// Root is a folder that stands for the machine's /.
	Root string
	// Run runs a command of the machine's.
	Run func(words ...string) error
	// NewKey writes a new master key to a file.
	NewKey func(path string) error
}

// Check looks at what the household chose. The error is ErrAddress, ErrFolder or ErrRecipient.
func (p Plan) Check() error {
	for _, a := range []string{p.Listen, p.MQTTListen} {
		if _, err := netip.ParseAddrPort(a); a != "" && err != nil {
			return fmt.Errorf("%w: %q", ErrAddress, a)
		}
	}
	if p.Backup == "" && len(p.Recipients) == 0 {
		return nil
	}
	if !unitPath.MatchString(p.Backup) || path.Clean(p.Backup) != p.Backup {
		return fmt.Errorf("%w: %q", ErrFolder, p.Backup)
	}
	if len(p.Recipients) == 0 {
		return ErrRecipient
	}
	for _, r := range p.Recipients {
		if _, err := age.ParseRecipients(strings.NewReader(r)); err != nil || strings.TrimLeft(r, bech32) != "" {
			return fmt.Errorf("%w: %q", ErrRecipient, r)
		}
	}
	return nil
}

// unitPath are those that units take as they are.
var unitPath = regexp.MustCompile(`^(/[A-Za-z0-9._-]+)+$`)

// bech32 are the characters of age's public keys (BIP 173), which units take as they are.
const bech32 = "abcdefghijklmnopqrstuvwxyz0123456789"

//go:embed files
var files embed.FS

// units are the files of systemd's, in the order in which they are shown.
var units = []string{"lintel.service", "lintel.socket", "lintel-mqtt.socket", "lintel-backup.service",
	"lintel-backup.timer", "lintel-verify.service", "lintel-verify.timer"}

// wanted are those of them that start by themselves.
var wanted = []string{"lintel.service", "lintel.socket", "lintel-mqtt.socket", "lintel-backup.timer",
	"lintel-verify.timer"}

var templates = template.Must(template.ParseFS(files, "files/*"))

// text is what a file of the folder files says on this machine.
func (p Plan) text(name string) []byte {
	var b bytes.Buffer
	err := templates.ExecuteTemplate(&b, name, map[string]string{"Program": p.bin(), "Data": Data, "Models": Models,
		"Changes": Changes, "Key": Key, "Settings": Settings, "State": State})
	if err != nil {
		panic(err) // the templates are part of the program
	}
	return b.Bytes()
}

func (p Plan) prefix() string {
	if p.Prefix == "" {
		return Prefix
	}
	return p.Prefix
}

func (p Plan) bin() string              { return p.prefix() + "/bin/lintel" }
func (p Plan) unit(name string) string  { return p.prefix() + "/lib/systemd/system/" + name }
func (p Plan) account() string          { return p.prefix() + "/lib/sysusers.d/lintel.conf" }
func (p Plan) manual() string           { return p.prefix() + "/share/man/man1/lintel.1" }
func (p Plan) real(path string) string  { return p.Root + path }
func addition(unit, name string) string { return chosen + "/" + unit + ".d/" + name + ".conf" }
func listenOn(address string) []byte {
	return []byte("[Socket]\nListenStream=\nListenStream=" + address + "\n")
}
func (p Plan) backupAddition() []byte {
	flags := "--recipient " + strings.Join(p.Recipients, " --recipient ")
	return []byte("[Unit]\nRequiresMountsFor=" + p.Backup + "\n\n[Service]\nReadWritePaths=" + p.Backup +
		"\nEnvironment=LINTEL_BACKUP=" + p.Backup + "\nEnvironment=\"LINTEL_BACKUP_FLAGS=" + flags + "\"\n")
}
