package main

import (
	"errors"
	"net"

	"github.com/coreos/go-systemd/v22/activation"

	"lintel/web/allow"
)

// Names that the service manager gives the sockets which it passes
// (FileDescriptorName= of systemd.socket(5)).
const (
	pagesSocket  = "pages"
	brokerSocket = "mqtt"
)

// Handed are listeners that the service manager opened, by their names. A server that
// has its sockets from there needs no right to open any.
type handed map[string]net.Listener

// errPassed says that a socket was passed that the server has no use for.
var errPassed = errors.New("passed sockets are named pages or mqtt, one of each")

// passedSockets takes those that were passed to this process, by sd_listen_fds(3).
func passedSockets() (handed, error) {
	all, err := activation.ListenersWithNames()
	if err != nil {
		return nil, failed(err, "serve-passed", "Error", err)
	}
	p := handed{}
	for name, listeners := range all {
		if len(listeners) != 1 || name != pagesSocket && name != brokerSocket {
			return nil, failed(errPassed, "serve-passed", "Error", name)
		}
		p[name] = listeners[0]
	}
	return p, nil
}

// listen takes the socket of the name where it was passed, and else opens one.
func (p handed) listen(name, address string) (net.Listener, error) {
	if l := p[name]; l != nil {
		return allow.Listen(l), nil
	}
	return listen(address)
}
