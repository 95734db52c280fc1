// Package hearing says how loud a sound is in a band of frequencies, from its samples. It opens no microphone and knows
// no product: package dut listens.
//
// A window of samples, less its mean, is weighted with a Hann window and transformed (DFT); the squares of the lines
// from the lower to the upper end of the band, both included, are summed and divided by the weights' own sum of
// squares. That is the mean square of the sound in the band, of noise as of tones (Parseval's theorem). A level counts
// in dBFS: 0 dBFS is the r.m.s. value of a sine whose peaks just reach full scale (AES17), so that a square wave of
// full scale has +3 dBFS. What lies less than two lines, 2/T of a window of length T, from an end of the band is partly
// counted: a tone at the very end by half, 3 dB.
package hearing

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// Floor is the lowest level that is told, in dBFS; the step of 16 bits lies at -98 dBFS.
const Floor = -150.0

// fullScale is the first value that 16 bits do not hold.
const fullScale = 1 << 15

// clippedFrom is how many samples of a window at the end of the scale are a sound that is cut off there.
const clippedFrom = 3

// Heard is what a window of samples holds.
type Heard struct {
	Level   float64 // in the band, dBFS, mean power of all channels
	Whole   float64 // over all frequencies but the mean, dBFS
	Clipped bool    // samples lie at the end of the scale: neither level is the sound's
	// Dead: each channel holds one and the same value all the time, which no microphone does, however quiet it is.
	Dead bool
}

// Ear measures windows of one length. It is used by one goroutine.
type Ear struct {
	channels    int
	first, last int // lines of the band
	weights     []float64
	energy      float64 // sum of the squares of the weights
	transform   *fourier.FFT
	scratch     []float64
	lines       []complex128
}

// New makes an ear for interleaved channels of so many samples a second, a band in Hz and a window of so many samples
// of each channel.
func New(rate float64, channels int, from, to float64, window int) (*Ear, error) {
	line := rate / float64(window)
	switch {
	case channels < 1 || window < 16:
		return nil, fmt.Errorf("%d channels and windows of %d samples cannot be heard", channels, window)
	case from < 2*line:
		return nil, fmt.Errorf("the band begins at %g Hz, and a window of %g ms tells nothing below %g Hz", from,
			1e3/line, 2*line)
	case to > rate/2-2*line:
		return nil, fmt.Errorf("the band ends at %g Hz, and %g samples a second with a window of %g ms tell nothing "+
			"above %g Hz", to, rate, 1e3/line, rate/2-2*line)
	case to-from < 4*line:
		return nil, fmt.Errorf("the band is %g Hz wide, and a window of %g ms cannot tell less than %g Hz apart",
			to-from, 1e3/line, 4*line)
	}
	e := &Ear{channels: channels, first: int(math.Ceil(from/line - 1e-9)), last: int(math.Floor(to/line + 1e-9)),
		weights: make([]float64, window), transform: fourier.NewFFT(window), scratch: make([]float64, window),
		lines: make([]complex128, window/2+1)}
	for i := range e.weights {
		e.weights[i] = 0.5 - 0.5*math.Cos(2*math.Pi*float64(i)/float64(window))
		e.energy += e.weights[i] * e.weights[i]
	}
	return e, nil
}

// Scatter is the standard deviation in dB by which noise alone varies in a band from window to window: that of the
// logarithm of a power which is the mean of so many independent ones as a Hann window leaves.
func Scatter(bandwidth, window float64) float64 {
	const hann = (3.0 / 8) * (3.0 / 8) / (35.0 / 128) // square of the mean of w² over the mean of w⁴
	return 10 / math.Ln10 / math.Sqrt(hann*bandwidth*window)
}

// Hear measures a window of interleaved samples, as many as New was told for each channel.
func (e *Ear) Hear(samples []int16) Heard {
	h := Heard{Dead: true}
	atEnd := 0
	for i, v := range samples {
		if v == math.MaxInt16 || v <= -math.MaxInt16 {
			atEnd++
		}
		h.Dead = h.Dead && v == samples[i%e.channels]
	}
	h.Clipped = atEnd >= clippedFrom && !h.Dead
	var band, whole float64
	for c := range e.channels {
		mean := 0.0
		for i := range e.scratch {
			e.scratch[i] = float64(samples[i*e.channels+c]) / fullScale
			mean += e.scratch[i] / float64(len(e.scratch))
		}
		for i, v := range e.scratch {
			v -= mean
			whole += v * v / float64(len(e.scratch))
			e.scratch[i] = v * e.weights[i]
		}
		e.lines = e.transform.Coefficients(e.lines, e.scratch)
		for _, x := range e.lines[e.first : e.last+1] {
			band += 2 * (real(x)*real(x) + imag(x)*imag(x)) / (float64(len(e.scratch)) * e.energy)
		}
	}
	h.Level, h.Whole = e.decibel(band), e.decibel(whole)
	return h
}

// decibel is a sum of the channels' mean squares as a level.
func (e *Ear) decibel(square float64) float64 {
	return max(10*math.Log10(2*square/float64(e.channels)), Floor)
}
