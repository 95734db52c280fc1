package discovery

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"

	"provoke/internal/bench/scpi/vxi11"
)

// services are the names under which an instrument announces itself (LXI Device Specification, the
// rules on mDNS service names; IANA's registry of service names), with the resource string of each.
var services = []struct {
	name string
	form func(host string, port int) string
}{
	{"_hislip._tcp", func(host string, port int) string {
		if port == 4880 {
			return "TCPIP::" + host + "::hislip0::INSTR"
		}
		return "TCPIP::" + host + "::hislip0," + strconv.Itoa(port) + "::INSTR"
	}},
	{"_vxi-11._tcp", func(host string, _ int) string { return vxi11Address(host, 0) }},
	{"_scpi-raw._tcp", func(host string, port int) string {
		return "TCPIP::" + host + "::" + strconv.Itoa(port) + "::SOCKET"
	}},
	// An LXI device that announces only its page is tried by the protocol that LXI required first.
	{"_lxi._tcp", func(host string, _ int) string { return vxi11Address(host, 0) }},
}

func vxi11Address(host string, mapper int) string {
	if mapper != 0 && mapper != vxi11.MapperPort {
		host += ":" + strconv.Itoa(mapper)
	}
	return "TCPIP::" + host + "::inst0::INSTR"
}

// network looks by multicast and by broadcast on the interfaces that are up.
func network(ctx context.Context, o Options) ([]Found, error) {
	interfaces, err := usable(o.Interface)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, o.Wait)
	defer cancel()
	var g gathering
	for _, i := range interfaces {
		g.look(func() ([]Found, error) { return multicast(ctx, i) })
		for _, a := range ownAddresses(i) {
			g.look(func() ([]Found, error) { return broadcast(ctx, a, o.Mapper) })
		}
	}
	g.wg.Wait()
	return g.found, joined(g.errs)
}

// joined tells the same fault of several ways to look once.
func joined(errs []error) error {
	told := map[string]bool{}
	var out []error
	for _, err := range errs {
		if !told[err.Error()] {
			told[err.Error()] = true
			out = append(out, err)
		}
	}
	return errors.Join(out...)
}

// usable lists the interfaces that are up and lead somewhere, or the one that was named.
func usable(name string) ([]net.Interface, error) {
	all, err := net.Interfaces()
	if err != nil {
		return nil, fmt.Errorf("%w: listing the network interfaces: %w", ErrNoNetwork, err)
	}
	var out []net.Interface
	var names []string
	for _, i := range all {
		names = append(names, i.Name)
		up := i.Flags&net.FlagUp != 0 && len(ownAddresses(i)) > 0
		switch {
		case name != "" && i.Name != name:
		case name != "" && !up:
			return nil, fmt.Errorf("%w: interface %s is down or has no address", ErrNoNetwork, name)
		case up && (name != "" || i.Flags&net.FlagLoopback == 0):
			out = append(out, i)
		}
	}
	switch {
	case len(out) > 0:
		return out, nil
	case name != "":
		return nil, fmt.Errorf("%w: there is no interface %s, there are %s", ErrNoNetwork, name,
			strings.Join(names, ", "))
	}
	return nil, fmt.Errorf("%w: no interface is up; plug the cable in, or look at the address of this machine",
		ErrNoNetwork)
}

// ownAddresses are the IPv4 addresses of an interface.
func ownAddresses(i net.Interface) []*net.IPNet {
	addresses, _ := i.Addrs()
	var out []*net.IPNet
	for _, a := range addresses {
		if n, ok := a.(*net.IPNet); ok && n.IP.To4() != nil {
			out = append(out, &net.IPNet{IP: n.IP.To4(), Mask: n.Mask})
		}
	}
	return out
}

// broadcast asks every port mapper of a network.
func broadcast(ctx context.Context, own *net.IPNet, mapper int) ([]Found, error) {
	mask := net.IP(own.Mask).To4()
	to := make(net.IP, 4)
	for k := range to {
		to[k] = own.IP[k] | ^mask[k]
	}
	var out []Found
	err := vxi11.Broadcast(ctx, own.IP, to, mapper, func(f vxi11.Found) {
		out = append(out, Found{Address: vxi11Address(f.Host, mapper), How: []How{ByBroadcast}})
	})
	return out, err
}
