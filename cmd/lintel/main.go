// Command lintel is the server of a home-built doorbell, and the tools around
// it. README.md says what it is for; `lintel --help` lists the commands.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"syscall"
	"time"

	_ "time/tzdata" // household zones on machines without the tz database

	"github.com/alecthomas/kong"

	"lintel/internal/house"
	"lintel/store"
)

// Exit statuses.
const (
	exitRight  = 0
	exitFailed = 1
	exitUsage  = 2
)

// globals are the flags that every command has, and what a command needs of
// the process it runs in.
type globals struct {
	Data   string `help:"The archive's folder." env:"LINTEL_DATA" default:"data" type:"path" placeholder:"DIR"`
	Models string `help:"The folder of model files." env:"LINTEL_MODELS" default:"models" type:"path" placeholder:"DIR"`
	keyFlags
	Changes string `help:"${changes}" env:"LINTEL_CHANGES" type:"path" placeholder:"FILE"`

	ctx            context.Context
	stdout, stderr io.Writer
}

type cli struct {
	globals

	Serve       serveCmd       `cmd:"" help:"Run the server: take in stills, examine them, show them to tablets."`
	Demo        demoCmd        `cmd:"" help:"Show a server at the door of an invented household, and leave nothing behind."`
	Ring        ringCmd        `cmd:"" help:"Ring as a bell does, with photographs from files."`
	Import      importCmd      `cmd:"" help:"Bring old stills in from a folder, at their own times."`
	Bell        bellCmd        `cmd:"" help:"Add, list or remove bells, and say how they look."`
	Person      personCmd      `cmd:"" help:"Add, list or erase persons."`
	Resident    residentCmd    `cmd:"" help:"List, invite or remove who may sign in, and help who forgot their password."`
	Source      sourceCmd      `cmd:"" help:"Add, list or remove phones and readers, which tell of more than a face."`
	Receiver    receiverCmd    `cmd:"" help:"Add, list or remove receivers of advice at a door."`
	Token       tokenCmd       `cmd:"" aliases:"account" help:"${token}"`
	Certificate certificateCmd `cmd:"" help:"Make the server a certificate, so that pages and messages go by TLS."`
	Sweep       sweepCmd       `cmd:"" help:"Let go now what the rules say is due, as the server does every hour."`
	Hold        holdCmd        `cmd:"" help:"Keep a visit past its time, end that, or list the holds."`
	Erase       eraseCmd       `cmd:"" help:"Erase visits, or everything of a period, for good."`
	Export      exportCmd      `cmd:"" help:"Give a person all that is held of them, as a zip with a page to read."`
	Key         keyCmd         `cmd:"" help:"Change the master key, copy it for the drawer, or check such a copy."`
	Verify      verifyCmd      `cmd:"" help:"Check the whole archive, mend it, or prove that something was erased."`
	Backup      backupCmd      `cmd:"" help:"Copy the archive to a folder of backups, while a server may run."`
	Restore     restoreCmd     `cmd:"" help:"Make an archive of a backup, in a new folder."`
	Enrol       enrolCmd       `cmd:"" help:"Add references of a person from photographs."`
	Compare     compareCmd     `cmd:"" help:"Say how alike the faces on two photographs are."`
	Accuracy    accuracyCmd    `cmd:"" help:"Measure error rates on a folder of photographs."`
	Speed       speedCmd       `cmd:"" help:"Measure how long a still takes, against a bare call of the face library."`
	Liveness    livenessCmd    `cmd:"" help:"Measure how often pictures are taken for persons, and the other way round."`
	Models      modelsCmd      `cmd:"" name:"models" help:"Fetch or check the model files."`
	Install     installCmd     `cmd:"" help:"Make this machine the server of the house: program, user, key, service."`
	Uninstall   uninstallCmd   `cmd:"" help:"Take away what install put here, but the archive, the settings and the key."`
	AsService   asServiceCmd   `cmd:"" help:"Run a command on the service's archive, as its user: sudo lintel as-service …"`
	Version     versionCmd     `cmd:"" help:"Say which build this is, and which model files it uses."`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run runs one command line and returns its exit status.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) (status int) {
	type exit struct{ status int } // --help, from inside kong
	defer func() {
		if r := recover(); r != nil {
			e, ok := r.(exit)
			if !ok {
				panic(r)
			}
			status = e.status
		}
	}()
	var c cli
	parser, err := kong.New(&c,
		kong.Name("lintel"),
		kong.Description(description),
		longHelp,
		kong.Writers(stdout, stderr),
		kong.Exit(func(status int) { panic(exit{status}) }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
	)
	if err != nil {
		fmt.Fprintln(stderr, "lintel:", err)
		return exitFailed
	}
	parsed, err := parser.Parse(args)
	if name := emptied(parsed, err); name != "" {
		tell(stderr, "command-emptied", "Name", name)
		return exitUsage
	}
	if err != nil {
		tell(stderr, "command-misused", "Error", err)
		return exitUsage
	}
	c.globals.ctx, c.globals.stdout, c.globals.stderr = house.By(ctx, house.ByCommand), stdout, stderr
	if err := parsed.Run(&c.globals); err != nil {
		fmt.Fprintln(stderr, "lintel:", explain(err))
		if errors.Is(err, errUsage) {
			return exitUsage
		}
		return exitFailed
	}
	return exitRight
}

// emptied returns the environment variable that a flag of the command would be read
// from, but that is set to nothing: a name that was mistyped elsewhere, mostly, and
// what it was to say would be guessed.
func emptied(parsed *kong.Context, err error) string {
	if wrong := new(kong.ParseError); errors.As(err, &wrong) {
		parsed = wrong.Context
	}
	if parsed == nil {
		return ""
	}
	for _, flag := range parsed.Flags() {
		given := slices.ContainsFunc(parsed.Path, func(p *kong.Path) bool { return p.Flag == flag })
		for _, name := range flag.Tag.Envs {
			if value, set := os.LookupEnv(name); set && value == "" && !given {
				return name
			}
		}
	}
	return ""
}

// errUsage marks what is wrong with the words of a command line, beyond what
// the parser sees.
var errUsage = errors.New("wrong usage")

// openArchive opens the archive, which must be there unless make is true.
func (g *globals) openArchive(make bool) (*store.Archive, error) {
	return g.openArchiveBy(time.Now, make)
}

// openArchiveBy is openArchive with a clock that may be another than the machine's.
func (g *globals) openArchiveBy(now func() time.Time, make bool) (*store.Archive, error) {
	if !make && !store.Exists(g.Data) {
		return nil, failed(store.ErrNoArchive, "command-no-archive", "Folder", g.Data)
	}
	key, err := g.masterKey()
	if err != nil {
		return nil, err
	}
	a, err := store.Open(g.ctx, g.Data, key, now)
	return a, g.rotating(err)
}

// print writes v as JSON if asked to, and through text otherwise.
func (g *globals) print(asJSON bool, v any, text func(io.Writer)) error {
	if !asJSON {
		text(g.stdout)
		return nil
	}
	e := json.NewEncoder(g.stdout)
	e.SetIndent("", "  ")
	if err := e.Encode(v); err != nil {
		return fmt.Errorf("printing: %w", err)
	}
	return nil
}
