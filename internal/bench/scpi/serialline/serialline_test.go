package serialline

import (
	"slices"
	"testing"
)

func TestALineIsWrittenSpeedFormatFlow(t *testing.T) {
	for text, want := range map[string]string{
		"": "9600 8N1", "9600 8N1": "9600 8N1", "115200 7E2": "115200 7E2", "19200 8O1": "19200 8O1",
		"9600 8N1 rts-cts": "9600 8N1 rts-cts", "9600 8N1 XON-XOFF": "9600 8N1 xon-xoff",
		"9600": "", "9600 8N": "", "9600 9N1": "", "9600 8X1": "", "9600 8N3": "", "-1 8N1": "", "fast 8N1": "",
		"9600 8N1 maybe": "",
	} {
		l, err := ParseLine(text)
		if (err == nil) != (want != "") || err == nil && l.String() != want {
			t.Errorf("%q: %v, %v", text, l, err)
		}
	}
}

// TestAPortIsListedOnce: macOS shows a line twice, once for calls that come in (tty(4)); other systems' names stay.
func TestAPortIsListedOnce(t *testing.T) {
	got := once([]string{"/dev/cu.usbserial-1", "/dev/tty.usbserial-1", "/dev/tty.only", "/dev/ttyUSB0", "COM3"})
	if want := []string{"/dev/cu.usbserial-1", "/dev/tty.only", "/dev/ttyUSB0", "COM3"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
