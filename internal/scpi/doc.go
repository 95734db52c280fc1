// Package scpi exchanges program messages with an instrument over any byte stream and never takes
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
// Transports: a raw TCP socket (tcp.go). A transport is a Dial function.
package scpi
