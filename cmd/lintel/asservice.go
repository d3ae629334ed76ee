package main

import (
	"fmt"
	"os"
	"os/user"
	"strconv"
	"strings"
	"syscall"

	"golang.org/x/sys/unix"

	"lintel/setup/service"
)

// asServiceCmd runs another command as the service is run: as its user, whose the
// archive is, with its settings and its key. A command that root ran itself would
// leave files in the archive that the service can't open.
type asServiceCmd struct {
	Command []string `arg:"" passthrough:"" help:"The command and its flags, such as: person list"`
}

func (c *asServiceCmd) Run(g *globals) error {
	if os.Geteuid() != 0 {
		return failed(errNotRoot, "as-service-not-root")
	}
	owner, err := user.Lookup(service.User)
	if err != nil {
		return failed(err, "as-service-none", "User", service.User)
	}
	settings, err := service.Plan{}.Environment()
	if err != nil {
		return err
	}
	uid, err := strconv.Atoi(owner.Uid)
	if err != nil {
		return fmt.Errorf("reading the user's id: %w", err)
	}
	gid, err := strconv.Atoi(owner.Gid)
	if err != nil {
		return fmt.Errorf("reading the group's id: %w", err)
	}
	key, err := lend(service.Key, uid)
	if err != nil {
		return fmt.Errorf("handing the master key over: %w", err)
	}
	program, err := os.Executable()
	if err != nil {
		return err
	}
	environment := append(serviceless(os.Environ()), settings...)
	environment = append(environment, "LINTEL_KEY="+key)
	if err := become(uid, gid); err != nil {
		return fmt.Errorf("becoming %s: %w", service.User, err)
	}
	words := append([]string{"lintel"}, c.Command...)
	return fmt.Errorf("running %s: %w", program, syscall.Exec(program, words, environment))
}

// lend puts a file's content into memory that a user may read, and returns the path
// of that. It goes with the process, and was never on a disk.
func lend(path string, uid int) (string, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return "", err
	}
	fd, err := unix.MemfdCreate("lintel-key", 0) // not closed by exec
	if err != nil {
		return "", err
	}
	f := os.NewFile(uintptr(fd), "lintel-key")
	if _, err := f.Write(text); err != nil {
		return "", err
	}
	if err := f.Chmod(0o400); err != nil {
		return "", err
	}
	return fmt.Sprintf("/proc/self/fd/%d", fd), f.Chown(uid, -1)
}

// become gives all of root's rights up for good.
func become(uid, gid int) error {
	if err := syscall.Setgroups([]int{gid}); err != nil {
		return err
	}
	if err := syscall.Setgid(gid); err != nil {
		return err
	}
	return syscall.Setuid(uid)
}

// serviceless are those variables that don't say where an archive is.
func serviceless(all []string) (rest []string) {
	for _, v := range all {
		if !strings.HasPrefix(v, "LINTEL_") && !strings.HasPrefix(v, "HOME=") {
			rest = append(rest, v)
		}
	}
	return rest
}

// keyOrigin is the file of the master key that people can make a copy of. What a
// service is handed is one that goes with its process.
func (g *globals) keyOrigin() (string, error) {
	if path := os.Getenv("LINTEL_KEY_ORIGIN"); path != "" {
		return path, nil
	}
	return g.keyPath()
}
