package main

import (
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/mattn/go-isatty"

	"lintel/internal/house"
	"lintel/internal/qr"
	"lintel/web/certificate"
)

type certificateCmd struct {
	Make   certificateMakeCmd   `cmd:"" default:"withargs" help:"${certificate_make}"`
	Show   certificateShowCmd   `cmd:"" help:"Show it, and how to trust it on a tablet or a phone."`
	Remove certificateRemoveCmd `cmd:"" help:"Forget it: the server's next start is without TLS."`
}

// certificateOutput is how a certificate is shown.
type certificateOutput struct {
	Port int  `help:"The server's port, for the address that is shown." default:"8420" placeholder:"N"`
	JSON bool `name:"json" help:"Print JSON."`
}

type certificateMakeCmd struct {
	Names        []string `arg:"" optional:"" name:"name" help:"${certificate_names}"`
	NewAuthority bool     `help:"${certificate_new_authority}"`
	certificateOutput
}

func (c *certificateMakeCmd) Help() string { return say.Text("certificate-help") }

func (c *certificateMakeCmd) Run(g *globals) error {
	var names []string
	for _, name := range c.Names {
		name, err := certificate.Private(name)
		if err != nil {
			return misusedBy(err)
		}
		names = append(names, name)
	}
	a, err := g.openArchive(true)
	if err != nil {
		return err
	}
	defer a.Close()
	var made house.Certificates
	err = a.ChangeCertificates(g.ctx, func(now *house.Certificates) error {
		if c.NewAuthority {
			now.Authority = house.Certificate{}
		}
		if len(names) > 0 {
			now.Names = names
		}
		err := certificate.Make(now, certificate.Union(now.Names, certificate.Found()), time.Now())
		made = *now
		return err
	})
	if err != nil {
		return err
	}
	return c.show(g, made)
}

type certificateShowCmd struct {
	PEM bool `name:"pem" help:"${certificate_pem}"`
	certificateOutput
}

func (c *certificateShowCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	kept, err := a.Certificates(g.ctx)
	if errors.Is(err, house.ErrNotFound) {
		return failed(err, "certificate-none")
	}
	if err != nil {
		return err
	}
	if !c.PEM {
		return c.show(g, kept)
	}
	state, err := certificate.StateOf(kept)
	if err == nil {
		_, err = g.stdout.Write(certificate.PEM(state.Authority))
	}
	return err
}

type certificateRemoveCmd struct{}

func (c *certificateRemoveCmd) Run(g *globals) error {
	a, err := g.openArchive(false)
	if err != nil {
		return err
	}
	defer a.Close()
	err = a.RemoveCertificates(g.ctx)
	if errors.Is(err, house.ErrNotFound) {
		return failed(err, "certificate-none")
	}
	return err
}

// A shownCertificate is what is printed of one.
type shownCertificate struct {
	NotBefore time.Time `json:"not_before"`
	NotAfter  time.Time `json:"not_after"`
	SHA256    string    `json:"sha256"` // pairs of digits, with colons between
}

func shown(c *x509.Certificate) shownCertificate {
	return shownCertificate{c.NotBefore, c.NotAfter, certificate.Fingerprint(c)}
}

// show says what there is to trust, and where a device is to look.
func (c *certificateOutput) show(g *globals, kept house.Certificates) error {
	state, err := certificate.StateOf(kept)
	if err != nil {
		return err
	}
	names := certificate.Names(state.Server)
	answer := struct {
		Names     []string         `json:"names"`
		Server    shownCertificate `json:"server"`
		Authority shownCertificate `json:"authority"`
		Trust     string           `json:"trust"` // the address to open on a device
	}{names, shown(state.Server), shown(state.Authority),
		"http://" + net.JoinHostPort(certificate.Reachable(names), strconv.Itoa(c.Port)) + "/trust"}
	code, err := qr.New(answer.Trust)
	if err != nil {
		return err
	}
	return g.print(c.JSON, answer, func(w io.Writer) {
		tell(w, "certificate-shown", "Names", strings.Join(names, ", "), "Ends", answer.Server.NotAfter.Format(time.DateOnly),
			"AuthorityEnds", answer.Authority.NotAfter.Format(time.DateOnly), "SHA256", answer.Authority.SHA256,
			"Trust", answer.Trust)
		if f, ok := w.(*os.File); ok && isatty.IsTerminal(f.Fd()) {
			fmt.Fprintln(w, strings.Join(code.Lines(), "\n"))
		}
	})
}
