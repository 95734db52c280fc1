// Package scpi exchanges program messages with an instrument over any transport and never takes
// one answer for another. It knows the syntax of IEEE 488.2-1992 (messages, blocks, the error
// queue) and SCPI-1999 (special numbers, SYSTem:ERRor?), and no instrument: what to say is the
// business of package driver.
//
// A Conn belongs to one instrument and has one user at a time. A connection on which anything went
// wrong (no answer in time, closed in mid-answer, bytes nobody asked for) is poisoned: it is
// closed, and the next message dials a new one, so that a late answer has nowhere to arrive. Each
// dial raises Generation; whoever keeps a picture of the instrument's state drops it then, because
// the instrument may have been switched off meanwhile. A message is never sent twice by this
// package: after a failure it is not known whether the instrument carried it out.
//
// A transport is a Dial function that gives a Port: a raw TCP socket stands here (tcp.go), the others in
// packages below this one, and package transport chooses among them by the resource string.
package scpi
