// Package vxi11 is the transport of VXI-11 (VXIbus Consortium, "TCP/IP Instrument Protocol
// Specification" VXI-11 revision 1.0, with VXI-11.2 for gateways to GPIB, whose device is written
// "gpib0,9"). It makes a framed scpi.Port of a link to a device.
//
// Clauses "B.…" are those of annex B, their numbers from memory. Under it lies ONC RPC version 2 (RFC 5531) with XDR
// (RFC 4506), one record per call or reply
// (RFC 5531, section 11), and the port mapper version 2 (RFC 1833). Only the few shapes that the
// specification's annex B needs are written here.
//
// A link keeps the rule that a late answer never counts. What is under way when the time runs out is
// aborted over the abort channel and the link is closed; the next link begins with a device clear,
// because behind a gateway the instrument's output may still hold the old answer.
package vxi11
