package touchstone

import (
	"bytes"
	"math"
	"strconv"
)

// Powers of ten that a float64 holds exactly.
var exactTen = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// blankOrEnd marks the bytes that may follow a number.
var blankOrEnd = [256]bool{' ': true, '\t': true, '\r': true, '\n': true, '!': true}

// scanNumber reads the decimal number at b[i:] and returns the index behind it. It is correctly rounded:
// a mantissa below 2^53 times or over an exact power of ten has one rounding; everything else goes to
// strconv. It is ok only when a blank, a comment or an end follows. fortran tells of an exponent with D.
func scanNumber(b []byte, i int) (x float64, next int, fortran, ok bool) {
	start := i
	negative := false
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		negative = b[i] == '-'
		i++
	}
	var mantissa uint64
	first := i
	for i < len(b) && b[i]-'0' <= 9 {
		mantissa = mantissa*10 + uint64(b[i]-'0')
		i++
	}
	digits, exponent := i-first, 0
	if i < len(b) && b[i] == '.' {
		i++
		point := i
		for i < len(b) && b[i]-'0' <= 9 {
			mantissa = mantissa*10 + uint64(b[i]-'0')
			i++
		}
		exponent = point - i
		digits -= exponent
	}
	if digits == 0 {
		return 0, start, false, false
	}
	if i < len(b) && (b[i]|0x20 == 'e' || b[i]|0x20 == 'd') {
		fortran = b[i]|0x20 == 'd'
		e, j, good := scanExponent(b, i+1)
		if !good {
			return 0, start, false, false
		}
		exponent += e
		i = j
	}
	if i < len(b) && !blankOrEnd[b[i]] {
		return 0, start, false, false
	}
	if digits > 19 || mantissa >= 1<<53 || exponent < -22 || exponent > 22 {
		x, ok = slowNumber(b[start:i], fortran)
		return x, i, fortran, ok
	}
	x = float64(mantissa)
	if exponent < 0 {
		x /= exactTen[-exponent]
	} else {
		x *= exactTen[exponent]
	}
	if negative {
		x = -x
	}
	return x, i, fortran, true
}

// scanExponent reads the signed integer at b[i:]; beyond ±9999 it stays there.
func scanExponent(b []byte, i int) (e, next int, ok bool) {
	negative := false
	if i < len(b) && (b[i] == '-' || b[i] == '+') {
		negative = b[i] == '-'
		i++
	}
	first := i
	for ; i < len(b) && b[i]-'0' <= 9; i++ {
		if e = e*10 + int(b[i]-'0'); e > 9999 {
			e = 9999
		}
	}
	if negative {
		e = -e
	}
	return e, i, i > first
}

// slowNumber is the exact way for long mantissas and far exponents; too large is not ok, too small is 0.
func slowNumber(token []byte, fortran bool) (float64, bool) {
	if fortran {
		token = bytes.Map(func(r rune) rune {
			if r == 'd' || r == 'D' {
				return 'e'
			}
			return r
		}, token)
	}
	x, err := strconv.ParseFloat(string(token), 64)
	return x, err == nil && !math.IsInf(x, 0)
}
