package driver

import (
	"context"

	"provoke/internal/bench/guard"
)

// ApplySetting is Apply without a permission, so that a test needs no guard.
func ApplySetting(ctx context.Context, s Source, to guard.Setting) error {
	return s.(*source).apply(ctx, func() (guard.Setting, error) { return to, nil }, nil)
}

// ApplyTaking is Apply with a stand-in for the permission.
func ApplyTaking(ctx context.Context, s Source, take func() (guard.Setting, error)) error {
	return s.(*source).apply(ctx, take, nil)
}

// OperateNow is Operate without a permission.
func OperateNow(ctx context.Context, a Amplifier) error {
	return a.(*amplifier).operate(ctx, func() error { return nil })
}

// Ordered returns the commands that take a generic signal generator from one setting to another, one
// list for each message.
func Ordered(from, to guard.Setting) [][]string {
	t, err := tableFor(RoleSource, "signal generator", "", nil)
	if err != nil {
		panic(err)
	}
	s := &source{instrument: &instrument{table: t}}
	var out [][]string
	for _, p := range s.phases(from, to) {
		out = append(out, p.units)
	}
	return out
}

// SelectNow is Select without a permission.
func SelectNow(ctx context.Context, p PathSwitch, route string) error {
	return p.(*pathSwitch).choose(ctx, func() (string, error) { return route, nil })
}

// OrderedBy is Ordered for a table whose AM halves the carrier.
func OrderedBy(t Table, known guard.Setting, to guard.Setting) []string {
	s := &source{instrument: &instrument{table: t}}
	var out []string
	for _, p := range s.phases(known, to) {
		out = append(out, p.units...)
	}
	return out
}
