package camera

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// sends hands picture after picture over, one in 100 ms, each exposed 40 ms before it is sent, until it may not.
func sends(t *testing.T, h *Handed, page string, most int, captured func(sent time.Duration) time.Duration) {
	t.Helper()
	began := time.Now()
	for i := range most {
		sent := time.Since(began) + time.Hour // of a clock that began an hour ago
		if err := h.Take(page, picture(t, i%200), captured(sent), sent); err != nil {
			t.Errorf("picture %d: %v", i, err)
			return
		}
		time.Sleep(100 * time.Millisecond)
	}
}

// watched streams what is handed over until it ends by itself.
func watched(s Source) (pictures []Picture, err error) {
	err = s.Stream(context.Background(), func(p Picture) { pictures = append(pictures, p) })
	return pictures, err
}

func TestAPictureOfAPageBelongsToWhenItWasExposed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h Handed
		defer h.Want(0)()
		var exposed []time.Time
		go func() {
			began := time.Now().Add(-time.Hour)
			for i := range 20 {
				at := time.Now()
				exposed = append(exposed, at)
				time.Sleep(40 * time.Millisecond) // drawn and encoded
				sent := time.Since(began)
				if i != 7 { // one comes without delay, all others take up to half a second
					time.Sleep(time.Duration(i%5+1) * 100 * time.Millisecond)
				}
				if err := h.Take("a", picture(t, i), at.Sub(began), sent); err != nil {
					t.Error(err)
				}
			}
			h.Leave("a", "the page was closed")
		}()
		got, err := watched(Source{Page: &h, Begin: time.Second})
		if err == nil || !strings.Contains(err.Error(), "the page was closed") {
			t.Errorf("it ended with %v", err)
		}
		if len(got) != 20 {
			t.Fatalf("%d pictures of 20", len(got))
		}
		for i, p := range got {
			late := p.Arrived.Sub(exposed[i])
			if late < 0 || i >= 7 && late > time.Millisecond || late > 100*time.Millisecond {
				t.Errorf("picture %d is said to be exposed %v after it was", i, late)
			}
		}
	})
}

func TestAPictureOfAPageIsNeverOfTheFuture(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h Handed
		defer h.Want(0)()
		go sends(t, &h, "a", 5, func(sent time.Duration) time.Duration { return sent + time.Hour })
		got, _ := watched(Source{Page: &h, Begin: time.Second})
		if len(got) != 5 {
			t.Fatalf("%d pictures", len(got))
		}
		for i, p := range got {
			if p.Arrived.After(time.Now()) || i > 0 && p.Arrived.Sub(got[i-1].Arrived) > 101*time.Millisecond {
				t.Errorf("picture %d: %v", i, p.Arrived)
			}
		}
	})
}

func TestAPageThatStandsStillIsSilent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h Handed
		defer h.Want(0)()
		go sends(t, &h, "a", 20, func(time.Duration) time.Duration { return time.Hour - time.Second }) // a frozen track
		began := time.Now()
		got, err := watched(Source{Page: &h, Begin: time.Second, Still: time.Second})
		if len(got) != 1 || err == nil || !strings.Contains(err.Error(), "no whole picture for 1 s") ||
			time.Since(began) > 1100*time.Millisecond {
			t.Errorf("%d pictures in %v, %v", len(got), time.Since(began), err)
		}
		time.Sleep(3 * time.Second)
	})
}

func TestWhoeverMayNotSendIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h Handed
		p := picture(t, 1)
		if err := h.Take("a", p, 1, 1); !errors.Is(err, ErrUnwanted) {
			t.Errorf("nobody wants it: %v", err)
		}
		enough := h.Want(100 * time.Millisecond)
		huge := bytes.Clone(p)
		at := bytes.Index(huge, []byte{0xff, 0xc0})
		binary.BigEndian.PutUint16(huge[at+5:], 30000)
		binary.BigEndian.PutUint16(huge[at+7:], 30000)
		for what, bad := range map[string]struct {
			picture []byte
			sent    time.Duration
			want    string
		}{"30,000 pixels": {huge, 1, "30000 × 30000"}, "cut short": {p[:len(p)-20], 1, "cut short"},
			"text": {[]byte("hello"), 1, "no picture"}, "old": {p, 5 * time.Second, "5s old"}} {
			if err := h.Take("a", bad.picture, 1, bad.sent); err == nil || !strings.Contains(err.Error(), bad.want) {
				t.Errorf("%s: %v", what, err)
			}
		}
		if _, _, by := h.Wanted(); by != "" {
			t.Errorf("%q sends, and sent nothing that was taken", by)
		}
		if err := h.Take("a", p, 1, 1); err != nil {
			t.Error(err)
		}
		if err := h.Take("b", p, 1, 1); !errors.Is(err, ErrOther) {
			t.Errorf("a second page: %v", err)
		}
		h.Leave("b", "it never sent")
		if every, wanted, by := h.Wanted(); every != 100*time.Millisecond || !wanted || by != "a" {
			t.Errorf("%v, %v, %q", every, wanted, by)
		}
		time.Sleep(DefaultStill + time.Second) // its browser died
		if err := h.Take("b", p, 1, 1); err != nil {
			t.Errorf("a second page after the first was gone: %v", err)
		}
		enough()
		if err := h.Take("b", p, 2, 2); !errors.Is(err, ErrUnwanted) {
			t.Errorf("nobody wants it any more: %v", err)
		}
	})
}

// The page that arms a run may have sent a picture before it is left for the one that shows it.
func TestAPageThatIsLeftBeforeTheRunSeesDoesNotEndIt(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h Handed
		defer h.Want(0)()
		if err := h.Take("arm", picture(t, 1), 1, 1); err != nil {
			t.Fatal(err)
		}
		go func() {
			time.Sleep(100 * time.Millisecond)
			h.Leave("arm", "the page was closed")
			time.Sleep(2 * time.Second)
			sends(t, &h, "live", 3, func(sent time.Duration) time.Duration { return sent })
			h.Leave("live", "the camera was unplugged")
		}()
		got, err := watched(Source{Page: &h, Begin: 20 * time.Second})
		if len(got) != 3 || err == nil || !strings.Contains(err.Error(), "unplugged") {
			t.Errorf("%d pictures, %v", len(got), err)
		}
	})
}

func TestOnlyThePageMayKeepAStreamWaiting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var h Handed
		began := time.Now()
		if _, err := watched(Source{Page: &h}); err == nil || time.Since(began) > time.Second {
			t.Errorf("in a run, without a page: %v after %v", err, time.Since(began))
		}
		if _, err := watched(Source{Page: &h, Begin: 20 * time.Second}); err == nil ||
			!strings.Contains(err.Error(), "switched on in a page") || time.Since(began) > 21*time.Second {
			t.Errorf("at its beginning, without a page: %v after %v", err, time.Since(began))
		}
	})
}
