package models

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// ErrNotDebian is what an error is when apt cannot bring the files: there is no apt, or it knows no source package
// dlib. Its message says which libraries and files people have to bring instead.
var ErrNotDebian = errors.New("not a Debian machine")

// ErrDownload is what an error is when a download failed. Its message says what is kept for the next try.
var ErrDownload = errors.New("download failed")

// notDebian is an ErrNotDebian with what has to be done about it.
type notDebian struct {
	cause string
	dir   string
	want  []File
}

func (e *notDebian) Is(target error) bool { return target == ErrNotDebian }

func (e *notDebian) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "apt cannot bring them: %s.\n", e.cause)
	b.WriteString("Lintel runs without apt, on what you bring yourself:\n")
	b.WriteString(
		"  libraries: libdlib-dev libopenblas-dev libatlas-base-dev liblapack-dev libjpeg62-turbo-dev, or your\n")
	b.WriteString("  system's equivalents: dlib 19.24 or newer, BLAS and LAPACK with CBLAS, libjpeg-turbo; and a C++ " +
		"compiler\n")
	fmt.Fprintf(&b, "  files, into %s:\n", e.dir)
	for _, f := range e.want {
		fmt.Fprintf(&b, "    %s\n      %s\n", f.Name, wanted(f))
	}
	b.WriteString("`lintel models check` confirms the files.")
	return b.String()
}

// apt is the machine's apt on settings of its own. It reads the machine's settings first, for proxies and mirrors, then
// its own, which move all that apt writes to a directory and replace the package sources by their source-package side.
// The machine's own lists have no source packages as a rule, so they would be of no use.
//
// Signatures of mirrors are not asked for ([trusted=yes]), and so no keys: whatever arrives, a model file is taken only
// if it has the SHA-256 that this package names. A false mirror could make a download futile; what it sends does reach
// tar and the programs that unpack before a sum is compared.
type apt struct {
	root   string // holds all that this apt reads and writes
	helper string
}

// newApt writes the settings into root. It changes nothing outside root.
func newApt(ctx context.Context, root, helper string) (*apt, error) {
	for _, program := range []string{"apt-get", helper} {
		if _, err := exec.LookPath(program); err != nil {
			return nil, &notDebian{cause: "this machine has no " + program}
		}
	}
	if strings.ContainsAny(root, "\"\n") {
		return nil, fmt.Errorf("apt's settings cannot name the directory %q", root)
	}
	for _, dir := range []string{"lists/partial", "cache/archives/partial", "archives"} {
		if err := os.MkdirAll(filepath.Join(root, dir), 0o755); err != nil {
			return nil, err
		}
	}
	a := &apt{root, helper}
	a.shareArchives()
	sources, err := sourcePackages(ctx)
	if err != nil {
		return nil, err
	}
	settings := fmt.Appendf(nil, settings, root)
	return a, errors.Join(
		os.WriteFile(filepath.Join(root, "sources.list"), sources, 0o644),
		os.WriteFile(a.config(), settings, 0o644))
}

func (a *apt) config() string { return filepath.Join(a.root, "apt.conf") }

const settings = `Dir::Etc::sourcelist "%[1]s/sources.list";
Dir::Etc::sourceparts "/dev/null";
Dir::State::lists "%[1]s/lists";
Dir::Cache "%[1]s/cache";
Dir::Cache::archives "%[1]s/cache/archives";
// What the machine does after an update of its own lists has no place after this one.
#clear APT::Update;
// Without this, apt-get update calls it a success when a server could not be reached.
APT::Update::Error-Mode "any";
`

// shareArchives lets apt, where root runs it, download as its unprivileged user. Where this cannot be, because a
// directory further up is closed to that user, apt downloads as root and says so.
func (a *apt) shareArchives() {
	if os.Geteuid() != 0 {
		return
	}
	if u, err := user.Lookup("_apt"); err == nil {
		if uid, err := strconv.Atoi(u.Uid); err == nil {
			os.Chown(filepath.Join(a.root, "archives"), uid, -1)
		}
	}
}

// sourcePackages asks apt where the machine's packages come from, and says it as sources.list(5) does, for their source
// packages. Compact discs are left out: apt would ask for them.
func sourcePackages(ctx context.Context) ([]byte, error) {
	cmd := exec.CommandContext(ctx, "apt-get", "-o", "APT::Get::IndexTargets::ReleaseInfo=false", "indextargets",
		"--format", "deb-src [trusted=yes] $(REPO_URI) $(RELEASE) $(COMPONENT)")
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("reading apt's package sources: apt-get indextargets: %w", err)
	}
	lines := slices.Sorted(strings.Lines(string(out)))
	lines = slices.DeleteFunc(slices.Compact(lines), func(line string) bool { return strings.Contains(line, "cdrom:") })
	if len(lines) == 0 {
		return nil, &notDebian{cause: "this machine's apt has no package sources"}
	}
	// What has no component keeps the word that would name it.
	return []byte(strings.ReplaceAll(strings.Join(lines, ""), " $(COMPONENT)", "")), nil
}

// archive is a file of a source package, as the index of its mirror has it.
type archive struct {
	uri    string
	name   string
	size   int64  // bytes
	sha256 string // lower-case hexadecimal
}

// archives asks the mirrors which files the source package has.
func (a *apt) archives(ctx context.Context, pkg string, p *progress) ([]archive, error) {
	step := "reading the list of Debian's source packages"
	_, updateErr := a.run(ctx, func(percent float64) { p.at(step, int64(percent), 100) }, "apt-get", "update")
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	// An update fails as a whole if one mirror of several does. That matters only if it was dlib's.
	out, err := a.run(ctx, nil, "apt-get", "source", "--print-uris", pkg)
	archives := parseURIs(out)
	switch {
	case len(archives) > 0:
		p.done(step)
		return archives, nil
	case updateErr != nil:
		return nil, fmt.Errorf("%s: %w: %w\nNothing is lost. Once the network is back, run this again",
			step, ErrDownload, updateErr)
	default:
		return nil, &notDebian{cause: fmt.Sprintf("this machine's package sources have no source package %s (%v)",
			pkg, err)}
	}
}

var uriLine = regexp.MustCompile(`(?m)^'([^']+)' ([^/\s]+) (\d+) SHA256:([0-9a-f]{64})$`)

// parseURIs reads what apt-get prints for --print-uris, a file a line between other words.
func parseURIs(text []byte) []archive {
	var archives []archive
	for _, m := range uriLine.FindAllSubmatch(text, -1) {
		size, err := strconv.ParseInt(string(m[3]), 10, 64)
		if err != nil {
			continue
		}
		archives = append(archives, archive{string(m[1]), string(m[2]), size, string(m[4])})
	}
	return archives
}

// download brings an archive, or the rest of it if an earlier try was interrupted, and returns where it is.
func (a *apt) download(ctx context.Context, file archive, p *progress) (string, error) {
	step := "downloading " + file.name
	path := filepath.Join(a.root, "archives", file.name)
	if sum, _, err := hashFile(path); err == nil && sum == file.sha256 {
		p.done(step + " (kept from before)")
		return path, nil
	}
	report := func(percent float64) { p.at(step, int64(math.Round(percent/100*float64(file.size))), file.size) }
	// apt itself tries each of a mirror's addresses three times; the second try here is for what it calls final.
	const tries = 2
	var err error
	for range tries {
		_, err = a.run(ctx, report, a.helper, "download-file", file.uri, path, "SHA256:"+file.sha256)
		if err == nil {
			p.done(step)
			return path, nil
		}
		if ctx.Err() != nil {
			return "", ctx.Err()
		}
	}
	kept := "Nothing of it is kept."
	if info, err := os.Stat(path); err == nil {
		kept = fmt.Sprintf("%s of %s are kept in %s.", megabytes(info.Size()), megabytes(file.size), path)
	}
	os.Remove(path + ".FAILED") // apt leaves a file with the wrong sum under this name
	return "", fmt.Errorf("%s: %w: %w\n%s Once the network is back, run this again: it goes on from there",
		step, ErrDownload, err, kept)
}

// run runs one of apt's programs on our settings and returns what it printed. report, if any, gets apt's percentages.
func (a *apt) run(ctx context.Context, report func(percent float64), program string, args ...string) ([]byte, error) {
	args = append([]string{"-c", a.config(), "-o", "APT::Status-Fd=3"}, args...)
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8") // its words are read below
	cmd.Dir = a.root
	// Interrupted, apt keeps what it has; killed, it might not.
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGINT) }
	cmd.WaitDelay = 5 * time.Second
	var stdout, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &stdout, &stderr

	status, write, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	defer status.Close()
	cmd.ExtraFiles = []*os.File{write} // descriptor 3 over there
	err = cmd.Start()
	write.Close()
	if err != nil {
		return nil, err
	}
	followed := make(chan struct{})
	go func() {
		defer close(followed)
		followStatus(status, report)
	}()
	err = cmd.Wait()
	status.SetReadDeadline(time.Now()) // in case something apt started still holds the other end
	<-followed
	if err != nil {
		return stdout.Bytes(), fmt.Errorf("%s: %w%s", filepath.Base(program), err, complaints(stderr.String()))
	}
	return stdout.Bytes(), nil
}

// followStatus reports the percentages in apt's status lines, "dlstatus:1:13.3333:Retrieving file 1 of 1".
func followStatus(r io.Reader, report func(percent float64)) {
	for lines := bufio.NewScanner(r); lines.Scan(); {
		fields := strings.SplitN(lines.Text(), ":", 4)
		if report == nil || len(fields) < 4 || fields[0] != "dlstatus" {
			continue
		}
		if percent, err := strconv.ParseFloat(fields[2], 64); err == nil {
			report(percent)
		}
	}
}

// complaints picks the errors out of what apt wrote to standard error, each on a line of its own.
func complaints(stderr string) string {
	var b strings.Builder
	for line := range strings.Lines(stderr) {
		if strings.HasPrefix(line, "E:") {
			b.WriteString("\n  " + strings.TrimSpace(line))
		}
	}
	return b.String()
}
