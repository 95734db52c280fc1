package store

import (
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"

	"provoke/internal/job/event"
)

// MaxAttachment is the largest file that a job takes, in bytes.
const MaxAttachment = 64 << 20

// CheckAttachment says why a file of this name and size cannot be attached, or nil.
func CheckAttachment(name string, size int64) error {
	if size > MaxAttachment {
		return fmt.Errorf("the file has %.1f MiB; %d MiB are allowed: make it smaller, or keep it beside the job and "+
			"write a note that says where", float64(size)/(1<<20), MaxAttachment>>20)
	}
	return checkName(name)
}

// Attach puts a file into the job under its hash and returns what an event names it by. A file that
// is there already is not stored twice. It joins a run only when an event names it.
func (j *Job) Attach(name string, bytes []byte) (event.Attachment, error) {
	sum := sha256.Sum256(bytes)
	a := event.Attachment{Name: name, SHA256: hex.EncodeToString(sum[:])}
	if err := j.attach(a, bytes); err != nil {
		return event.Attachment{}, fmt.Errorf("attach %s: %w", printable(name), err)
	}
	return a, nil
}

func (j *Job) attach(a event.Attachment, bytes []byte) error {
	if err := CheckAttachment(a.Name, int64(len(bytes))); err != nil {
		return err
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	if err := j.writable(); err != nil {
		return err
	}
	if err := j.checkThere(); err != nil {
		j.dead = err
		return err
	}
	if bytes == nil {
		bytes = []byte{}
	}
	if _, err := j.write.Exec("INSERT INTO attachments (sha256, name, bytes) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
		a.SHA256, a.Name, bytes); err != nil {
		return plain(err) // nothing is chained on it: the journal itself can go on
	}
	return nil
}

// Attachment returns the name under which a file was first attached and its bytes, which it checks
// against the hash; it wraps ErrDamaged when they differ.
func (j *Job) Attachment(hash string) (name string, bytes []byte, err error) {
	var size int64
	err = j.read.QueryRow("SELECT octet_length(name) + octet_length(bytes) FROM attachments WHERE sha256 = ?",
		hash).Scan(&size)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil, fmt.Errorf("attachment %.12s… is not in %s", printable(hash), shown(j.path))
	}
	if err == nil && size > MaxAttachment+mostWords {
		return "", nil, fmt.Errorf("%w: attachment %.12s… has %d bytes; none that provoke attached has more than %d",
			ErrDamaged, printable(hash), size, MaxAttachment)
	}
	if err == nil {
		err = j.read.QueryRow("SELECT name, bytes FROM attachments WHERE sha256 = ?", hash).Scan(&name, &bytes)
	}
	if err != nil {
		return "", nil, fmt.Errorf("read attachment %.12s… of %s: %w", printable(hash), shown(j.path), plain(err))
	}
	if sum := sha256.Sum256(bytes); hex.EncodeToString(sum[:]) != hash {
		return name, nil, fmt.Errorf("%w: attachment %s is not the file that was attached", ErrDamaged, printable(name))
	}
	return name, bytes, nil
}
