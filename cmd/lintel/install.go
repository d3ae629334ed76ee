package main

import (
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"

	"lintel/setup/service"
	"lintel/store/seal"
)

// installFlags say what is done to the machine, by install and uninstall alike.
type installFlags struct {
	DryRun   bool   `help:"${install_dry}"`
	Prefix   string `help:"${install_prefix}" placeholder:"DIR"`
	Root     string `help:"${install_root}" type:"path" placeholder:"DIR"`
	Packaged bool   `help:"${install_packaged}"`
}

type installCmd struct {
	installFlags
	Listen     string   `help:"${install_listen}" placeholder:"ADDR"`
	MQTTListen string   `name:"mqtt-listen" help:"${install_mqtt}" placeholder:"ADDR"`
	Backup     string   `help:"${install_backup}" placeholder:"DIR"`
	Recipient  []string `help:"Encrypt backups to this public key of age's; once for each key." placeholder:"age1…"`
}

// Help is what --help says beyond the flags.
func (installCmd) Help() string { return say.Text("install-help") }

func (c *installCmd) Run(g *globals) error {
	program, err := os.Executable()
	if err != nil {
		return err
	}
	c.settle(program)
	plan := c.plan(g)
	plan.Program, plan.Models, plan.Listen, plan.MQTTListen = program, g.Models, c.Listen, c.MQTTListen
	plan.Backup, plan.Recipients = c.Backup, c.Recipient
	if err := plan.Check(); err != nil {
		return misused("install-choice", "Error", err)
	}
	if err := c.do(g, plan.Install()); err != nil {
		return err
	}
	switch {
	case c.Root != "" || c.DryRun || !plan.Booted():
	case plan.Lacks() != nil:
		tell(g.stdout, "install-lacks", "Folder", service.Models)
	default:
		tell(g.stdout, "install-done", "Key", service.Key)
	}
	return nil
}

type uninstallCmd struct {
	installFlags
}

func (c *uninstallCmd) Run(g *globals) error {
	program, err := os.Executable()
	if err != nil {
		return err
	}
	c.settle(program)
	if err := c.do(g, c.plan(g).Uninstall()); err != nil {
		return err
	}
	for _, path := range service.Kept() {
		if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) && c.Root == "" {
			tell(g.stdout, "uninstall-kept", "Path", path)
		}
	}
	return nil
}

// errNotRoot says that only root may do something.
var errNotRoot = errors.New("only root may do this")

// settle finds out whether the program is a package's, whose files stay its own.
func (f *installFlags) settle(program string) {
	if program == "/usr/bin/lintel" && f.Prefix == "" && f.Root == "" {
		f.Prefix, f.Packaged = "/usr", true
	}
	if f.Prefix == "" {
		f.Prefix = service.Prefix
	}
}

// plan is the machine that the flags name, and how things are done to it.
func (f installFlags) plan(g *globals) service.Plan {
	return service.Plan{Prefix: filepath.Clean(f.Prefix), Root: f.Root,
		NewKey: func(path string) error { return seal.WriteKey(path, seal.NewKey()) },
		Run: func(words ...string) error {
			cmd := exec.CommandContext(g.ctx, words[0], words[1:]...)
			cmd.Stdout, cmd.Stderr = g.stderr, g.stderr
			return cmd.Run()
		}}
}

// do does those of the steps that the flags ask for, and prints each.
func (f installFlags) do(g *globals, all []service.Step) error {
	if !f.DryRun && f.Root == "" && os.Geteuid() != 0 {
		return failed(errNotRoot, "install-not-root")
	}
	defer syscall.Umask(syscall.Umask(0o022)) // what is installed is for all to read
	for _, s := range all {
		if f.Packaged && s.Packaged || f.Root != "" && !s.Packaged {
			continue
		}
		there, err := s.There()
		if err != nil && !f.DryRun {
			return err
		}
		if there {
			tell(g.stdout, "step-there", "Step", say.Text("step-"+s.Does, "On", s.On))
			continue
		}
		tell(g.stdout, "step", "Step", say.Text("step-"+s.Does, "On", s.On), "Shell", s.Shell)
		if f.DryRun {
			continue
		}
		if err := s.Do(); err != nil {
			return failed(err, "step-failed", "Error", err)
		}
	}
	return nil
}
