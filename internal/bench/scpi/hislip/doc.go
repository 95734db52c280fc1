// Package hislip is the transport of HiSLIP (IVI Foundation, "IVI-6.1: High-Speed LAN Instrument
// Protocol", revisions 1.0, 1.1 and 2.0 without encryption). It makes a framed scpi.Port of a
// session: a synchronous channel for program messages and answers, an asynchronous one for device
// clear, status and locks.
//
// Every answer in synchronised mode carries the number of the message that it answers (IVI-6.1,
// section 3.1.1); one with another number ends the session, so that a late answer cannot count. A
// server that prefers overlap mode is asked for synchronised mode by a device clear (section 6,
// device clear transaction), and taken as it is when it insists: this client never has more than one
// question open.
//
// Transactions are named as section 6 names them; numbers of tables and sections are from memory.
// The bytes are checked by hand-written vectors here and by an independent decoder in the tests of
// package transport.
package hislip
