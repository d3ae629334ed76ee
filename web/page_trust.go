package web

import (
	"errors"
	"net"
	"net/http"
	"net/netip"
	"strings"

	"lintel/internal/house"
	"lintel/internal/qr"
	"lintel/web/certificate"
	"lintel/web/view"
)

// Where the authority of the house is to be had.
const (
	trustAddress     = "/trust"
	authorityAddress = "/trust/authority.crt"
)

// A trustView is what the page says of the house's authority.
type trustView struct {
	Fingerprint string
	Ends        string
	Certificate string // its address
	Address     string // of this page in plain text, for those who don't trust it yet
	Path        string // of the QR code of that
	Side        int
}

var errNoAuthority = problem{Status: http.StatusNotFound, Type: "no-authority", Title: "problem-no-authority"}

// authority returns which certificates there are. The error is errNoAuthority
// without one of the house.
func (s *Server) authority(r *http.Request) (c certificate.State, err error) {
	if s.Certificates == nil {
		return c, errNoAuthority
	}
	if c, err = s.Certificates(r.Context()); err == nil && c.Authority == nil {
		err = errNoAuthority
	}
	return c, absent(err, errNoAuthority)
}

// showTrust says how a device comes to trust the house.
func (s *Server) showTrust(w http.ResponseWriter, r *http.Request) error {
	c, err := s.authority(r)
	if err != nil {
		return err
	}
	page := trustView{Fingerprint: certificate.Fingerprint(c.Authority), Certificate: authorityAddress,
		Address: "http://" + reachedBy(r.Host, certificate.Names(c.Server)) + trustAddress}
	words := speak(languageOf(r)).At(s.Now(), s.Zone)
	page.Ends = words.Date(c.Authority.NotAfter)
	code, err := qr.New(page.Address)
	if err != nil {
		return err
	}
	page.Path, page.Side = code.Path(), code.Side()
	return sendPage(w, r, http.StatusOK, "trust.html", page)
}

// reachedBy is where another device finds a host: by another of its names, where
// this one is the device's own.
func reachedBy(host string, names []string) string {
	name, port, err := net.SplitHostPort(host)
	if err != nil {
		name, port = host, ""
	}
	address, _ := netip.ParseAddr(strings.Trim(name, "[]"))
	if !strings.EqualFold(name, "localhost") && !address.IsLoopback() {
		return host
	}
	if port == "" {
		return certificate.Reachable(names)
	}
	return net.JoinHostPort(certificate.Reachable(names), port)
}

// getAuthority answers with the certificate of the authority, for a device to take.
func (s *Server) getAuthority(w http.ResponseWriter, r *http.Request) error {
	c, err := s.authority(r)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/x-x509-ca-cert")
	w.Header().Set("Content-Disposition", `attachment; filename="lintel-house.crt"`)
	w.Write(certificate.PEM(c.Authority))
	return nil
}

// inPlain are the addresses that answer in plain text where the server speaks TLS:
// those by which a device comes to trust it.
var inPlain = map[string]bool{trustAddress: true, authorityAddress: true, "/assets/style.css": true,
	"/assets/icon.svg": true, "/assets/shell.js": true, "/healthz": true}

var errPlain = problem{Status: http.StatusForbidden, Type: "tls-only", Title: "problem-tls-only",
	Detail: "problem-tls-only-do"}

// servePlain answers what came in plain text: it leads browsers to TLS, and tells
// programs to go there. What they sent was on the network for all to read, so it is
// not taken.
func (s *Server) servePlain(w http.ResponseWriter, r *http.Request) {
	reads := r.Method == http.MethodGet || r.Method == http.MethodHead
	switch {
	case reads && inPlain[r.URL.Path]:
		r.Header.Del("Cookie")
		r.Header.Del("Authorization")
		s.handler.ServeHTTP(w, r)
	case reads && wantsPage(r):
		http.Redirect(w, r, "https://"+r.Host+r.URL.RequestURI(), http.StatusTemporaryRedirect)
	default:
		s.fail(w, r, errPlain)
	}
}

// insistence keeps browsers from plain text for a day from each visit (RFC 6797),
// no longer: it holds for all ports of a host, and the household may have others.
const insistence = "max-age=86400"

// insistable reports whether browsers can be told so of a host: they take it of no
// address (RFC 6797, section 8.1.1), and localhost is everybody's.
func insistable(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	_, err := netip.ParseAddr(strings.Trim(name, "[]"))
	return err != nil && name != "" && !strings.EqualFold(name, "localhost")
}

// soonEnds is how long before the authority's end Upkeep warns of it: all devices
// have to trust a new one.
const soonEnds = 365 * 24

// fillCertificates says on Upkeep until when the certificates are good, or what
// comes of having none.
func (s *Server) fillCertificates(r *http.Request, t view.Presenter, page *upkeepView) error {
	if page.Plain = !s.TLS; !s.TLS || s.Certificates == nil {
		return nil
	}
	c, err := s.Certificates(r.Context())
	if errors.Is(err, house.ErrNotFound) {
		return nil // removed; the next start is without TLS
	}
	if err != nil {
		return err
	}
	page.TLS = &upkeepTLS{Server: t.Words.Text("upkeep-tls-server", "Date", t.Words.Date(c.Server.NotAfter))}
	if c.Authority == nil {
		page.TLS.Soon = c.Server.NotAfter.Sub(t.Now).Hours() < soonOwn
		return nil
	}
	page.TLS.Authority = t.Words.Text("upkeep-tls-authority", "Date", t.Words.Date(c.Authority.NotAfter))
	page.TLS.Fingerprint = certificate.Fingerprint(c.Authority)
	page.TLS.Soon = c.Authority.NotAfter.Sub(t.Now).Hours() < soonEnds
	return nil
}

// soonOwn is how long before its end Upkeep warns of a certificate that the
// household brings, in hours: nothing renews it here.
const soonOwn = 14 * 24

// An upkeepTLS is what Upkeep says of certificates.
type upkeepTLS struct {
	Server, Authority string // until when; no authority with the household's own
	Fingerprint       string
	Soon              bool // whether one ends soon that nothing renews
}
