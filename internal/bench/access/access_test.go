package access

import (
	"net/http"
	"strings"
	"testing"
)

// The figures are the examples of RFC 2617, section 3.5, and of RFC 2069, section 2.4, as its erratum corrects it.
func TestDigestIsThatOfItsStandard(t *testing.T) {
	r, _ := http.NewRequest("GET", "http://www.nowhere.org/dir/index.html", nil)
	challenge := map[string]string{"realm": "testrealm@host.com", "nonce": "dcd98b7102dd2f0e8b11d0f600bfb0c093",
		"qop": "auth,auth-int", "opaque": "5ccc069c403ebaf9f0171e9517f40e41"}
	if got := digest(challenge, r, "Mufasa", "Circle Of Life", "0a4f113b"); !strings.Contains(got,
		`response="6629fae49393a05397450978507c4ef1"`) || !strings.Contains(got,
		`opaque="5ccc069c403ebaf9f0171e9517f40e41"`) {
		t.Error(got)
	}
	delete(challenge, "qop")
	if got := digest(challenge, r, "Mufasa", "CircleOfLife", ""); !strings.Contains(got,
		`response="1949323746fe6a43ef61f9606e7febea"`) {
		t.Error(got)
	}
	challenge["algorithm"] = "SHA-512-256"
	if got := digest(challenge, r, "Mufasa", "CircleOfLife", ""); got != "" {
		t.Errorf("an algorithm that is not known was answered: %s", got)
	}
}
