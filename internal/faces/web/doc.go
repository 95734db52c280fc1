// Package web shows a bench on a local page and lets a person do the whole job there: pages,
// forms, and a live stream. Pages are rendered on the server from folds of the journal (package
// result), findings (package analysis) and the budget (package chain); the browser draws numbers and
// shows strings and never converts a unit. A handler reaches an instrument only through a Runner,
// which does runs with the engine; this package imports neither guard nor driver nor scpi.
//
// What may be asked for and by whom is decided in one place (see Server.guarded): a host that is on
// the list, a browser that was let in with a one-time address, a request of the page's own origin.
// Nothing changes on GET. RF comes on only by a POST that carries the nonce of an arming step which
// has not expired; RF goes off by a plain form that needs no script and no stream.
//
// It stands above engine and store, and under cmd/provoke, which implements Runner.
package web
