package twoport_test

import (
	"bytes"
	"encoding/json"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"

	. "provoke/internal/model/twoport"
)

// skrfScript reads networks as JSON and answers what scikit-rf makes of them.
const skrfScript = `
import sys, json, warnings
warnings.simplefilter("ignore")
import numpy as np
for name, kind in (("complex", complex), ("float", float), ("int", int), ("bool", bool)):
    if name not in np.__dict__: setattr(np, name, kind)  # names that an old scikit-rf still uses
import skrf
def mat(x): return np.array([[complex(*e) for e in row] for row in x])
def out(m): return [[[float(e.real), float(e.imag)] for e in row] for row in m]
answer = []
for q in json.load(sys.stdin):
    s = mat(q["s"])[None]
    z0 = np.array([[complex(*z) for z in q["ref"]]])
    real = z0.real + 0j
    answer.append({
        "abcd": out(skrf.s2a(s, real)[0]),
    })
json.dump(answer, sys.stdout)
`

type pair [2]float64

func pairOf(z complex128) pair { return pair{real(z), imag(z)} }

func pairsOf(m Matrix) [2][2]pair {
	return [2][2]pair{{pairOf(m[0][0]), pairOf(m[0][1])}, {pairOf(m[1][0]), pairOf(m[1][1])}}
}

type skrfQuestion struct {
	S   [2][2]pair `json:"s"`
	Ref [2]pair    `json:"ref"`
}

type skrfAnswer struct{ ABCD [2][2]pair }

func askScikit(t *testing.T, questions []skrfQuestion) []skrfAnswer {
	t.Helper()
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import skrf").Run(); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skipf("outside check skipped: scikit-rf: %v", err)
	}
	in, err := json.Marshal(questions)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-c", skrfScript)
	var out, said bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr = bytes.NewReader(in), &out, &said
	if err := cmd.Run(); err != nil {
		t.Fatalf("%v\n%s", err, said.Bytes())
	}
	// matplotlib may be missing, of which the import speaks on the standard output.
	text := out.Bytes()
	if i := bytes.IndexByte(text, '['); i > 0 {
		text = text[i:]
	}
	var answers []skrfAnswer
	if err := json.Unmarshal(text, &answers); err != nil {
		t.Fatal(err)
	}
	return answers
}

func TestScikitAgreesOnTheChainMatrix(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 7))
	z := func() complex128 { return complex(5+200*r.Float64(), 100*r.NormFloat64()) }
	s := func() complex128 { return cmplx.Rect(0.05+0.6*r.Float64(), 2*math.Pi*r.Float64()) }
	var questions []skrfQuestion
	type network struct {
		s   Matrix
		ref References
	}
	var networks []network
	for range 200 {
		n := network{Matrix{{s(), s()}, {s(), s()}}, References{z(), z()}}
		networks = append(networks, n)
		questions = append(questions, skrfQuestion{pairsOf(n.s), [2]pair{pairOf(n.ref[0]), pairOf(n.ref[1])}})
	}
	worst := 0.0
	for i, a := range askScikit(t, questions) {
		n := networks[i]
		compare := func(what string, got Matrix, err error, want [2][2]pair) {
			t.Helper()
			if err != nil {
				t.Fatalf("%s: %v", what, err)
			}
			scale := 0.0
			for _, row := range want {
				for _, e := range row {
					scale = math.Max(scale, math.Hypot(e[0], e[1]))
				}
			}
			for j := range 2 {
				for k := range 2 {
					d := cmplx.Abs(got[j][k]-complex(want[j][k][0], want[j][k][1])) / scale
					worst = math.Max(worst, d)
					if !(d <= 1e-9) {
						t.Fatalf("network %d: %s[%d][%d] is %v, scikit-rf says %v", i, what, j+1, k+1, got[j][k],
							want[j][k])
					}
				}
			}
		}
		c, err := ABCDOfS(n.s, References{complex(real(n.ref[0]), 0), complex(real(n.ref[1]), 0)})
		compare("ABCD", Matrix{{c.A, c.B}, {c.C, c.D}}, err, a.ABCD)
	}
	t.Logf("200 networks, worst difference %.1e", worst)
}
