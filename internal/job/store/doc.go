// Package store keeps a job: one SQLite file NAME.provoke with the runs of a piece of work, their
// events as an append-only journal chained by hashes, and the attached files by their hash. What
// Append has acknowledged is on the disk. It knows the form of an event (package event) and nothing
// of what events mean; every view of a job is a fold of its records elsewhere.
//
// One process writes a job at a time and holds a lock that dies with it; any number of others read
// it meanwhile. Readers follow by sequence number, so that a slow one delays nobody and misses
// nothing. docs/journal.md gives the format.
package store
