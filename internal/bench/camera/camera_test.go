package camera

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/pem"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/access"
)

// picture is a JPEG whose brightness is its number.
func picture(t testing.TB, number int) []byte {
	t.Helper()
	m := image.NewYCbCr(image.Rect(0, 0, 48, 32), image.YCbCrSubsampleRatio420)
	for i := range m.Y {
		m.Y[i] = byte(number)
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// number reads a picture back.
func number(t testing.TB, p []byte) int {
	t.Helper()
	m, err := Decode(p)
	if err != nil {
		t.Fatal(err)
	}
	return int(m.Y[0])
}

// found is what a scanner finds in a stream that comes in pieces of so many bytes.
func found(stream []byte, piece int) (out [][]byte, s scanner) {
	for len(stream) > 0 {
		n := min(piece, len(stream))
		s.add(stream[:n], func(p []byte) { out = append(out, p) })
		stream = stream[n:]
	}
	return out, s
}

func TestPicturesAreFoundHoweverTheStreamIsParted(t *testing.T) {
	a, b := picture(t, 40), picture(t, 200)
	for name, join := range map[string]string{
		"nothing between": "",
		"CRLF and a length": "\r\n--frame\r\nContent-Type: image/jpeg\r\nContent-Length: " + strconv.Itoa(len(b)) +
			"\r\n\r\n",
		"LF alone":           "\n--frame\nContent-Type: image/jpeg\n\n",
		"a length that lies": "\r\n--frame\r\nContent-Length: 3\r\n\r\n",
		"junk":               "\x00\xff\x00\xff\xff junk \xff",
	} {
		for _, piece := range []int{1, 7, 100000} {
			got, s := found(bytes.Join([][]byte{[]byte(join), a, []byte(join), b, []byte(join)}, nil), piece)
			if len(got) != 2 || !bytes.Equal(got[0], a) || !bytes.Equal(got[1], b) || s.cut+s.over > 0 {
				t.Errorf("%s in pieces of %d: %d pictures, %d cut", name, piece, len(got), s.cut)
			}
		}
	}
}

func TestAPreviewWithinAPictureDoesNotEndIt(t *testing.T) {
	whole, preview := picture(t, 90), picture(t, 10)
	app := binary.BigEndian.AppendUint16([]byte{0xff, 0xe1}, uint16(2+len(preview)))
	with := bytes.Join([][]byte{whole[:2], app, preview, whole[2:]}, nil)
	got, _ := found(append(bytes.Clone(with), with...), 11)
	if len(got) != 2 || !bytes.Equal(got[1], with) || number(t, got[0]) != 90 {
		t.Fatalf("%d pictures", len(got))
	}
}

func TestAPictureThatIsCutShortCostsNoOther(t *testing.T) {
	a, b := picture(t, 40), picture(t, 200)
	got, s := found(bytes.Join([][]byte{a, b[:len(b)-40], []byte("\r\n--x\r\n\r\n"), a, b}, nil), 33)
	if len(got) != 3 || s.cut != 1 {
		t.Errorf("%d whole pictures, %d cut; 3 and 1 were sent", len(got), s.cut)
	}
}

func TestAPictureWithoutEndTakesNoMemory(t *testing.T) {
	a := picture(t, 40)
	var s scanner
	n := 0
	s.add(a[:len(a)-2], func([]byte) { n++ })
	for range 2*MostBytes>>15 + 1 {
		s.add(make([]byte, 32<<10), func([]byte) { n++ })
		if cap(s.kept) > 3*MostBytes {
			t.Fatalf("%d bytes are kept", cap(s.kept))
		}
	}
	s.add(a, func([]byte) { n++ })
	if n != 1 || s.over != 1 {
		t.Errorf("%d pictures, %d too long", n, s.over)
	}
}

func TestAHeaderThatClaimsTooMuchIsRefusedBeforeDecoding(t *testing.T) {
	p := picture(t, 90)
	at := bytes.Index(p, []byte{0xff, 0xc0})
	binary.BigEndian.PutUint16(p[at+5:], 30000)
	binary.BigEndian.PutUint16(p[at+7:], 30000)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	_, err := Decode(p)
	runtime.ReadMemStats(&after)
	if err == nil || !strings.Contains(err.Error(), "30000 × 30000") {
		t.Errorf("%v", err)
	}
	if took := after.TotalAlloc - before.TotalAlloc; took > 1<<20 {
		t.Errorf("%d bytes were taken to refuse it", took)
	}
}

func TestPicturesWithoutTheirTablesAreDecoded(t *testing.T) {
	p := picture(t, 90)
	for {
		at, table := segment(p, markDHT)
		if at < 0 {
			break
		}
		p = append(p[:at:at], p[at+len(table):]...)
	}
	if got := number(t, p); got != 90 {
		t.Errorf("brightness %d", got)
	}
}

func TestAGreyPictureIsDecoded(t *testing.T) {
	m := image.NewGray(image.Rect(0, 0, 16, 16))
	for i := range m.Pix {
		m.Pix[i] = color.Gray{Y: 77}.Y
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, nil); err != nil {
		t.Fatal(err)
	}
	if got := number(t, b.Bytes()); got < 76 || got > 78 {
		t.Errorf("brightness %d", got)
	}
}

// served is a camera that answers as told.
func served(t *testing.T, answer http.HandlerFunc) string {
	t.Helper()
	s := httptest.NewServer(answer)
	t.Cleanup(s.Close)
	return s.URL
}

// stream is what a source delivers until it has delivered so many pictures, and why it ended by itself.
func stream(t *testing.T, s Source, most int) (numbers []int, err error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	enough := errors.New("enough")
	ctx, stop := context.WithCancelCause(ctx)
	err = s.Stream(ctx, func(p Picture) {
		if numbers = append(numbers, number(t, p.JPEG)); len(numbers) == most {
			stop(enough)
		}
	})
	if errors.Is(err, enough) {
		err = nil
	}
	return numbers, err
}

func TestACameraIsHeardWhateverItsContentType(t *testing.T) {
	for _, kind := range []string{"multipart/x-mixed-replace; boundary=frame",
		`multipart/x-mixed-replace; boundary="--frame"`, "multipart/x-mixed-replace;boundary=--my frame",
		"Multipart/x-mixed-replace"} {
		url := served(t, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", kind)
			for i := 1; r.Context().Err() == nil; i++ {
				fmt.Fprintf(w, "--frame\r\nContent-Type: image/jpeg\r\n\r\n%s\r\n", picture(t, 10+i%200))
				w.(http.Flusher).Flush()
				time.Sleep(5 * time.Millisecond)
			}
		})
		if got, err := stream(t, Source{URL: url}, 4); err != nil || len(got) != 4 || got[3] <= got[0] {
			t.Errorf("%s: %v, %v", kind, got, err)
		}
	}
}

func TestAStillPictureIsAskedAgainAndAgain(t *testing.T) {
	asked := 0
	url := served(t, func(w http.ResponseWriter, _ *http.Request) {
		asked++
		w.Header().Set("Content-Type", "image/jpeg")
		w.Write(picture(t, 20*asked))
	})
	began := time.Now()
	got, err := stream(t, Source{URL: url, Every: 30 * time.Millisecond}, 4)
	if err != nil || fmt.Sprint(got) != "[20 40 60 80]" || time.Since(began) < 80*time.Millisecond {
		t.Errorf("%v after %v, %v", got, time.Since(began), err)
	}
}

func TestMorePicturesThanAreWantedArePassedOver(t *testing.T) {
	url := served(t, func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "multipart/x-mixed-replace; boundary=x")
		for r.Context().Err() == nil {
			fmt.Fprintf(w, "--x\r\n\r\n%s", picture(t, 50))
			w.(http.Flusher).Flush()
			time.Sleep(2 * time.Millisecond)
		}
	})
	began := time.Now()
	if _, err := stream(t, Source{URL: url, Every: 50 * time.Millisecond}, 8); err != nil {
		t.Fatal(err)
	}
	if took := time.Since(began); took < 300*time.Millisecond {
		t.Errorf("8 pictures, one in 50 ms, after %v", took)
	}
}

func TestWhatACameraCannotShowIsTold(t *testing.T) {
	hang := func(w http.ResponseWriter, r *http.Request) {
		w.(http.Flusher).Flush()
		<-r.Context().Done()
	}
	for name, c := range map[string]struct {
		answer http.HandlerFunc
		want   string
	}{
		"no permission": {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(401) },
			"wants a name and a password"},
		"forbidden": {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(403) }, "may not see it"},
		"its page": {func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "<html>hello") },
			"not of its page"},
		"it ends": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "multipart/x-mixed-replace; boundary=x")
			w.Write(picture(t, 1))
		}, "ended its stream"},
		"it stands still": {func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", "multipart/x-mixed-replace; boundary=x")
			w.Write(picture(t, 1))
			hang(w, r)
		}, "no whole picture for 200 ms"},
		"it never ends a picture": {func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", "multipart/x-mixed-replace; boundary=x")
			w.Write(picture(t, 1)[:300])
			for r.Context().Err() == nil {
				w.Write(make([]byte, 1000))
				w.(http.Flusher).Flush()
				time.Sleep(time.Millisecond)
			}
		}, "no whole picture for 200 ms"},
		"stills that are cut short": {func(w http.ResponseWriter, _ *http.Request) { w.Write(picture(t, 1)[:300]) },
			"no whole picture for 200 ms"},
	} {
		_, err := stream(t, Source{URL: served(t, c.answer), Still: 200 * time.Millisecond, Every: time.Millisecond}, 9)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

func TestNameAndPasswordOpenACameraAndAreNeverTold(t *testing.T) {
	const secret = "Aladdin:open sesame"
	t.Setenv("CAMERA_LOGIN", secret)
	file := filepath.Join(t.TempDir(), "login")
	if err := os.WriteFile(file, []byte(secret+"\r\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	basic := served(t, func(w http.ResponseWriter, r *http.Request) {
		if name, password, _ := r.BasicAuth(); name != "Aladdin" || password != "open sesame" {
			w.Header().Set("WWW-Authenticate", `Basic realm="x"`)
			w.WriteHeader(401)
			return
		}
		w.Write(picture(t, 70))
	})
	for _, from := range []string{"env CAMERA_LOGIN", "file " + file} {
		if got, err := stream(t, Source{URL: basic, Login: access.Login{From: from}}, 1); err != nil || got[0] != 70 {
			t.Errorf("%s: %v, %v", from, got, err)
		}
	}
	t.Setenv("CAMERA_LOGIN", "Aladdin:shut")
	_, err := stream(t, Source{URL: basic, Login: access.Login{From: "env CAMERA_LOGIN"}}, 1)
	if err == nil || !strings.Contains(err.Error(), "is wrong") || strings.Contains(err.Error(), "shut") {
		t.Errorf("%v", err)
	}
	t.Setenv("CAMERA_LOGIN", "hush")
	_, err = stream(t, Source{URL: basic, Login: access.Login{From: "env CAMERA_LOGIN"}}, 1)
	if err == nil || !strings.Contains(err.Error(), "not one line name:password") || strings.Contains(err.Error(),
		"hush") {
		t.Errorf("%v", err)
	}
}

func TestAServerThatWantsADigestGetsNoPassword(t *testing.T) {
	t.Setenv("CAMERA_LOGIN", "Aladdin:open sesame")
	proofs := make(chan string, 100) // the next picture is asked for before the stream ends
	url := served(t, func(w http.ResponseWriter, r *http.Request) {
		proof := r.Header.Get("Authorization")
		if !strings.HasPrefix(proof, `Digest username="Aladdin"`) {
			w.Header().Add("WWW-Authenticate", `Basic realm="x"`)
			w.Header().Add("WWW-Authenticate", `Digest realm="x, y", qop="auth", nonce="abc", algorithm=MD5`)
			w.WriteHeader(401)
			return
		}
		proofs <- proof
		w.Write(picture(t, 70))
	})
	// Basic stands first: the better one has to be looked for.
	login := access.Login{From: "env CAMERA_LOGIN"}
	if got, err := stream(t, Source{URL: url, Login: login}, 1); err != nil || got[0] != 70 {
		t.Errorf("%v, %v", got, err)
	}
	if proof := <-proofs; !strings.Contains(proof, `realm="x, y"`) {
		t.Error(proof)
	}
}

func TestAnEncryptedCameraIsTrustedByItsCertificateOnly(t *testing.T) {
	s := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.Write(picture(t, 70))
	}))
	defer s.Close()
	own := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw})
	if got, err := stream(t, Source{URL: s.URL, Login: access.Login{Authority: own}}, 1); err != nil || got[0] != 70 {
		t.Errorf("%v, %v", got, err)
	}
	if _, err := stream(t, Source{URL: s.URL}, 1); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("an unknown certificate: %v", err)
	}
	if _, err := stream(t, Source{URL: s.URL, Login: access.Login{Authority: []byte("hello")}}, 1); err == nil {
		t.Error("a file without a certificate was taken")
	}
}
