package discovery

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"time"

	"golang.org/x/net/dns/dnsmessage"
	"golang.org/x/net/ipv4"
)

// multicastGroup is where multicast DNS is spoken (RFC 6762, section 3).
var multicastGroup = &net.UDPAddr{IP: net.IPv4(224, 0, 0, 251), Port: 5353}

// multicast asks on one interface for each service by name, as a one-shot query (RFC 6762, section 5.1):
// from a port of its own, so that answers come straight back and nothing else is heard.
func multicast(ctx context.Context, i net.Interface) ([]Found, error) {
	if i.Flags&net.FlagMulticast == 0 {
		return nil, nil
	}
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: ownAddresses(i)[0].IP})
	if err == nil {
		defer conn.Close()
		err = ipv4.NewPacketConn(conn).SetMulticastInterface(&i)
	}
	var found []Found
	if err == nil {
		found, err = query(ctx, conn, multicastGroup)
	}
	if err != nil {
		err = fmt.Errorf("%w: interface %s carries no multicast: %w", ErrNoNetwork, i.Name, err)
	}
	return found, err
}

// query sends the question, once more after a third of the time, and takes answers until the context
// ends.
func query(ctx context.Context, conn *net.UDPConn, to *net.UDPAddr) ([]Found, error) {
	question, err := questionOf()
	if err != nil {
		return nil, err
	}
	if _, err := conn.WriteToUDP(question, to); err != nil {
		return nil, err
	}
	if deadline, ok := ctx.Deadline(); ok {
		again := time.AfterFunc(time.Until(deadline)/3, func() { conn.WriteToUDP(question, to) })
		defer again.Stop()
	}
	stop := context.AfterFunc(ctx, func() { conn.SetReadDeadline(time.Unix(1, 0)) })
	defer stop()
	k := known{service: map[string]int{}, at: map[string]placed{}, host: map[string]net.IP{}}
	buf := make([]byte, 9000) // RFC 6762, section 17: the longest packet
	for {
		n, from, err := conn.ReadFromUDP(buf)
		if err != nil {
			if ctx.Err() != nil {
				err = nil
			}
			return k.found(), err
		}
		k.learn(buf[:n], from.IP)
	}
}

// questionOf asks for the instances of all services in one packet; the top bit of the class asks for
// an answer by unicast (RFC 6762, section 5.4).
func questionOf() ([]byte, error) {
	const unicast = 1 << 15
	b := dnsmessage.NewBuilder(nil, dnsmessage.Header{})
	b.EnableCompression()
	err := b.StartQuestions()
	for _, s := range services {
		name, e := dnsmessage.NewName(s.name + ".local.")
		err = errors.Join(err, e, b.Question(dnsmessage.Question{Name: name, Type: dnsmessage.TypePTR,
			Class: dnsmessage.ClassINET | unicast}))
	}
	packet, e := b.Finish()
	return packet, errors.Join(err, e)
}

// placed is where an instance of a service is served.
type placed struct {
	host string
	port int
	from net.IP // who said so
}

// known is what the answers told so far.
type known struct {
	service map[string]int // index of services, by instance
	at      map[string]placed
	host    map[string]net.IP
}

// learn takes the records of a packet. What cannot be read of it is passed over record by record:
// responders add records of kinds that nobody asked for, and some are malformed.
func (k *known) learn(packet []byte, from net.IP) {
	var p dnsmessage.Parser
	if h, err := p.Start(packet); err != nil || !h.Response || p.SkipAllQuestions() != nil {
		return
	}
	for _, section := range []struct {
		head func() (dnsmessage.ResourceHeader, error)
		skip func() error
	}{{p.AnswerHeader, p.SkipAnswer}, {p.AuthorityHeader, p.SkipAuthority}, {p.AdditionalHeader, p.SkipAdditional}} {
		for {
			h, err := section.head()
			if err != nil {
				break
			}
			if !k.record(&p, h, from) && section.skip() != nil {
				return
			}
		}
	}
}

// record takes one record; false leaves it to be skipped.
func (k *known) record(p *dnsmessage.Parser, h dnsmessage.ResourceHeader, from net.IP) bool {
	name := strings.ToLower(h.Name.String())
	switch h.Type {
	case dnsmessage.TypePTR:
		r, err := p.PTRResource()
		if err != nil {
			return false
		}
		for i, s := range services {
			if name == s.name+".local." {
				k.service[r.PTR.String()] = i
			}
		}
	case dnsmessage.TypeSRV:
		r, err := p.SRVResource()
		if err != nil {
			return false
		}
		k.at[h.Name.String()] = placed{strings.ToLower(r.Target.String()), int(r.Port), slices.Clone(from)}
	case dnsmessage.TypeA:
		r, err := p.AResource()
		if err != nil {
			return false
		}
		k.host[name] = net.IP(r.A[:])
	default:
		return false
	}
	return true
}

// found puts the records together. A host without an address record is where its answer came from.
func (k *known) found() []Found {
	var out []Found
	for instance, i := range k.service {
		at, ok := k.at[instance]
		if !ok {
			continue
		}
		ip := k.host[at.host]
		if ip == nil {
			ip = at.from
		}
		name, _, _ := strings.Cut(instance, "."+services[i].name)
		out = append(out, Found{Address: services[i].form(ip.String(), at.port), How: []How{ByMulticast}, Name: name})
	}
	return out
}
