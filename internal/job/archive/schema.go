package archive

import (
	"context"
	"fmt"
	"strings"
	"time"
)

// migrations make the tables, each in one transaction, in order; what was released is never changed. {id}, {int},
// {real}, {bytes} and {strict} stand for the engine's own words. Times are text as in a journal, hashes 64 digits.
var migrations = [][]string{{
	`CREATE TABLE jobs (id {id}, root TEXT NOT NULL, branch {int} NOT NULL, name TEXT NOT NULL, pushed TEXT NOT NULL,
  derived TEXT NOT NULL, program TEXT NOT NULL, UNIQUE (root, branch)){strict}`,
	`CREATE TABLE runs (id {id}, job {int} NOT NULL REFERENCES jobs (id), run {int} NOT NULL, root TEXT NOT NULL,
  opened TEXT NOT NULL, count {int} NOT NULL, head TEXT NOT NULL, closed {int} NOT NULL, imported {int} NOT NULL,
  UNIQUE (job, run)){strict}`,
	`CREATE INDEX runs_root ON runs (root)`,
	`CREATE TABLE records (run {int} NOT NULL, seq {int} NOT NULL, at TEXT NOT NULL, kind TEXT NOT NULL,
  body TEXT NOT NULL, chain TEXT NOT NULL, PRIMARY KEY (run, seq)){strict}`,
	`CREATE TABLE files (sha256 TEXT NOT NULL PRIMARY KEY, bytes {bytes} NOT NULL){strict}`,
	`CREATE TABLE run_files (run {int} NOT NULL REFERENCES runs (id), sha256 TEXT NOT NULL REFERENCES files (sha256),
  name TEXT NOT NULL, PRIMARY KEY (run, sha256)){strict}`,
	`CREATE INDEX run_files_hash ON run_files (sha256)`,
	`CREATE TABLE pushes (id {id}, at TEXT NOT NULL, who TEXT NOT NULL, program TEXT NOT NULL, root TEXT NOT NULL,
  name TEXT NOT NULL, runs {int} NOT NULL, records {int} NOT NULL){strict}`,
	`CREATE TABLE deletions (id {id}, at TEXT NOT NULL, who TEXT NOT NULL, why TEXT NOT NULL, root TEXT NOT NULL,
  branch {int} NOT NULL, name TEXT NOT NULL, heads TEXT NOT NULL){strict}`,
	`CREATE TABLE run_facts (run {int} NOT NULL PRIMARY KEY REFERENCES runs (id), job {int} NOT NULL, number {int} NOT NULL,
  at TEXT NOT NULL, kind TEXT NOT NULL, label TEXT NOT NULL, changed TEXT NOT NULL, product TEXT NOT NULL,
  version TEXT NOT NULL, serial TEXT NOT NULL, port TEXT NOT NULL, cable TEXT NOT NULL, bench TEXT NOT NULL,
  operator TEXT NOT NULL, room TEXT NOT NULL, profile TEXT NOT NULL, modulation TEXT NOT NULL, verdict TEXT NOT NULL,
  exposed {int} NOT NULL, upsets {int} NOT NULL, original {int} NOT NULL, words TEXT NOT NULL,
  program TEXT NOT NULL){strict}`,
	`CREATE INDEX run_facts_job ON run_facts (job)`,
	`CREATE INDEX run_facts_product ON run_facts (product, bench)`,
	`CREATE INDEX run_facts_at ON run_facts (at)`,
	`CREATE TABLE onsets (run {int} NOT NULL, hz {real} NOT NULL, upset {int} NOT NULL, onset {real}, bound TEXT NOT NULL,
  wanted {real}, margin {real}, class TEXT NOT NULL, u {real}, PRIMARY KEY (run, hz)){strict}`,
	`CREATE INDEX onsets_upset ON onsets (hz) WHERE upset = 1`,
	`CREATE TABLE bands (run {int} NOT NULL, low {real} NOT NULL, high {real} NOT NULL, lowest {real},
  lowest_at {real}, margin {real}){strict}`,
	`CREATE INDEX bands_run ON bands (run)`,
	`CREATE INDEX bands_low ON bands (low, high)`,
	`CREATE TABLE fixes (job {int} NOT NULL, before {int} NOT NULL, after {int} NOT NULL, fix TEXT NOT NULL,
  verdict TEXT NOT NULL, low {real} NOT NULL, high {real} NOT NULL, fate TEXT NOT NULL,
  at_hz {real} NOT NULL, gain {real}, bound TEXT NOT NULL, least {real}){strict}`,
	`CREATE INDEX fixes_after ON fixes (after)`,
	`CREATE INDEX fixes_low ON fixes (low, high)`,
	`CREATE TABLE causes (run {int} NOT NULL, low {real} NOT NULL, high {real} NOT NULL, cause TEXT NOT NULL,
  strength TEXT NOT NULL){strict}`,
	`CREATE INDEX causes_run ON causes (run)`,
	`CREATE TABLE items (run {int} NOT NULL, id TEXT NOT NULL, description TEXT NOT NULL, serial TEXT NOT NULL,
  certificate TEXT NOT NULL, calibrated TEXT NOT NULL, due TEXT NOT NULL){strict}`,
	`CREATE INDEX items_run ON items (run)`,
	`CREATE INDEX items_serial ON items (serial)`,
	`CREATE TABLE curves (run {int} NOT NULL, item TEXT NOT NULL, serial TEXT NOT NULL, what TEXT NOT NULL,
  source TEXT NOT NULL, unit TEXT NOT NULL, calibrated TEXT NOT NULL, sha256 TEXT NOT NULL){strict}`,
	`CREATE INDEX curves_serial ON curves (serial)`,
	`CREATE TABLE curve_points (sha256 TEXT NOT NULL, hz {real} NOT NULL, value {real} NOT NULL,
  PRIMARY KEY (sha256, hz)){strict}`,
	`CREATE INDEX curves_run ON curves (run)`,
	"{search}",
}}

// factTables hold what is derived of a run, under its number.
var factTables = []string{"onsets", "bands", "causes", "items", "curves", "run_facts"}

// migrationLock is what those who migrate wait for one another at.
const migrationLock = 0x50727641

// migrate brings the tables to this program's version. With create false an archive that is behind is told.
func (a *Archive) migrate(ctx context.Context, create bool) error {
	have, err := a.version(ctx)
	if err != nil {
		return err
	}
	switch {
	case have > len(migrations):
		return fmt.Errorf("the archive has version %d of its tables, this program knows %d: use a newer provoke", have,
			len(migrations))
	case have == len(migrations):
		return nil
	case have == 0 && !create:
		return fmt.Errorf("there is no archive yet: push a job to begin one")
	}
	for n := have; n < len(migrations); n++ {
		if err := a.step(ctx, n); err != nil {
			return fmt.Errorf("bring the archive's tables to version %d: %w", n+1, err)
		}
	}
	return nil
}

func (a *Archive) version(ctx context.Context) (have int, err error) {
	err = a.within(ctx, false, func(t tx) error { have, err = a.versionIn(ctx, t); return err })
	return have, err
}

func (a *Archive) versionIn(ctx context.Context, t tx) (int, error) {
	there, _, err := one(ctx, t, a.say.tables)
	if err != nil || there[0] == "0" {
		return 0, err
	}
	max, _, err := one(ctx, t, "SELECT coalesce(max(version), 0) FROM migrations")
	if err != nil {
		return 0, err
	}
	return int(number(max[0])), nil
}

// step does migration n, unless another did it meanwhile.
func (a *Archive) step(ctx context.Context, n int) error {
	d := a.say
	words := strings.NewReplacer("{id}", d.id, "{int}", d.integer, "{real}", d.real, "{bytes}", d.bytes, "{strict}",
		d.strict)
	return a.within(ctx, true, func(t tx) error {
		if err := a.lock(ctx, t, migrationLock); err != nil {
			return err
		}
		if d.begin != "" {
			if _, err := t.exec(ctx, d.begin); err != nil {
				return err
			}
		}
		have, err := a.versionIn(ctx, t)
		if err != nil || have > n {
			return err
		}
		statements := migrations[n]
		if n == 0 {
			statements = append([]string{"CREATE TABLE migrations (version {int} NOT NULL PRIMARY KEY, at TEXT NOT " +
				"NULL, program TEXT NOT NULL){strict}"}, statements...)
		}
		for _, s := range statements {
			each := []string{s}
			if s == "{search}" {
				each = d.search
			}
			for _, s := range each {
				if _, err := t.exec(ctx, words.Replace(s)); err != nil {
					return err
				}
			}
		}
		_, err = t.exec(ctx, "INSERT INTO migrations (version, at, program) VALUES (?, ?, ?)", n+1,
			stamp(time.Now()), a.program)
		return err
	})
}

// lock waits until nobody else holds a number in a transaction.
func (a *Archive) lock(ctx context.Context, t tx, n int64) error {
	if a.say.lock == "" {
		return nil
	}
	_, _, err := one(ctx, t, a.say.lock, n)
	return err
}
