package web

import (
	"errors"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"lintel/internal/house"
)

// onDisk mounts a file system of its own and returns its folder, and what has the
// kernel answer everything there by EIO from then on, as of a disk that died:
// FS_IOC_SHUTDOWN of linux/fs.h, without writing what is in memory.
func onDisk(t *testing.T) (dir string, die func()) {
	t.Helper()
	image := filepath.Join(t.TempDir(), "image")
	dir = t.TempDir()
	err := os.WriteFile(image, nil, 0o600)
	if err == nil {
		err = os.Truncate(image, 64<<20)
	}
	for _, command := range [][]string{{"mkfs.ext4", "-q", image}, {"mount", "-o", "loop", image, dir}} {
		if err == nil {
			err = exec.Command(command[0], command[1:]...).Run()
		}
	}
	if err != nil {
		t.Skipf("SKIPPED, a file system of its own can't be mounted here: %v", err)
	}
	t.Cleanup(func() { syscall.Unmount(dir, syscall.MNT_DETACH) })
	return dir, func() {
		f, err := os.Open(dir)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		const shutdown, noFlush = 2<<30 | 4<<16 | 'X'<<8 | 125, 2
		how := uint32(noFlush)
		if _, _, errno := syscall.Syscall(syscall.SYS_IOCTL, f.Fd(), shutdown, uintptr(unsafe.Pointer(&how))); errno != 0 {
			t.Skipf("SKIPPED, a disk can't die here: %v", errno)
		}
	}
}

// A disk that died takes no still and erases nothing: bells are told so by 507, and
// people why.
func TestDeadDisk(t *testing.T) {
	dir, die := onDisk(t)
	c := new(clock)
	c.micros.Store(time.Date(2031, 5, 4, 18, 30, 0, 0, time.UTC).UnixMicro())
	h := newHouseIn(t, filepath.Join(dir, "archive"), c, c.now)
	in := h.session(h.resident("Odile"))
	visit := h.rung("R1", 0, still(t, 1)).Visit
	h.get("/readyz").is(200)
	die()
	h.ring("R2", 0, still(t, 2)).isProblem(507, "no-space")
	h.get("/", in, browser).is(507).says("can’t be written")
	h.ask("DELETE", "/api/v1/visits/"+visit, nil, in).isProblem(507, "no-space")
	if a := h.get("/readyz").is(503); string(a.body) != "unready\n" {
		t.Errorf("ready: %q", a.body)
	}
	if err := h.archive.Roomy(); !errors.Is(err, house.ErrNoSpace) {
		t.Errorf("roomy: %v", err)
	}
}

// Where stills can't be removed, since their folder is read-only, an erasure says why,
// and is finished once it can be.
func TestEraseReadOnly(t *testing.T) {
	h := newHouse(t)
	in := h.session(h.resident("Odile"))
	visit := h.rung("R1", 0, still(t, 1)).Visit
	stills := filepath.Join(h.dir, "stills")
	err := syscall.Mount(stills, stills, "", syscall.MS_BIND, "")
	if err == nil {
		err = syscall.Mount("", stills, "", syscall.MS_BIND|syscall.MS_REMOUNT|syscall.MS_RDONLY, "")
	}
	if err != nil {
		t.Skipf("SKIPPED, a folder can't be made read-only here: %v", err)
	}
	defer syscall.Unmount(stills, syscall.MNT_DETACH)
	h.ask("DELETE", "/api/v1/visits/"+visit, nil, in).isProblem(507, "no-space")
	h.get("/visits/"+visit, in, browser).is(http.StatusNotFound)
	if err := syscall.Unmount(stills, 0); err != nil {
		t.Fatal(err)
	}
	if err := h.archive.FinishErasures(t.Context()); err != nil {
		t.Fatal(err)
	}
	h.keeps(0)
}
