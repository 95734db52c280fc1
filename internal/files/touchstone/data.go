package touchstone

import (
	"fmt"
	"math"
	"strings"

	"provoke/internal/units/rf"
)

// dataLine reads a line of numbers.
func (p *parser) dataLine() {
	switch {
	case p.stage == references:
		p.referenceRow(words(p.rest(), p.column()))
		return
	case p.stage == modes:
		p.modeRow(words(p.rest(), p.column()))
		return
	case p.stage == before && !p.startData():
		return
	}
	if len(p.rec) == 0 {
		p.recLine, p.recStart, p.recBad = p.line, p.lineStart, false
	}
	count := p.numbers()
	if p.need == 0 { // what a matrix holds is not known, which has been told
		p.rec = p.rec[:0]
	} else if count > 0 {
		p.endOfRow(count)
	}
}

// startData is called at the first number of a version 1 file.
func (p *parser) startData() bool {
	if p.two {
		p.failOnce("data before", p.column(), "data stand before [Network Data]", "")
		return false
	}
	if !p.option {
		p.failOnce("no option line", p.column(), "no option line stands before the data",
			"put a line such as # MHz S MA R 50 before them; nothing else tells the unit")
		return false
	}
	p.stage = network
	inData := p.portsOfData()
	switch {
	case p.fileN > MaximumPorts:
		p.fail(p.column(), fmt.Sprintf("the file's name says %s; the most that are read are %d", ports(p.fileN),
			MaximumPorts), "")
		p.stop = true
	case p.fileN > 0 && inData > 0 && inData != p.fileN:
		p.fail(p.column(),
			fmt.Sprintf("the file's name says %s, but the first matrix has %d numbers with its frequency, as for %s "+
				"(%s take %d)",
				ports(p.fileN), 1+2*inData*inData, ports(inData), ports(p.fileN), 1+2*p.fileN*p.fileN),
			fmt.Sprintf("name the file .s%dp, or complete the row", inData))
		p.stop = true
	case p.fileN > 0:
		p.n.Ports = p.fileN
	case inData > 0:
		p.n.Ports = inData
		p.warnOnce("ports", p.line, p.column(),
			fmt.Sprintf("the file's name does not end in .sNp; its rows look like %s", ports(inData)), "")
	default:
		p.fail(p.column(), "the number of ports cannot be told", "name the file .s1p, .s2p and so on")
		p.stop = true
	}
	if p.stop {
		return false
	}
	p.swapped = p.n.Ports == 2
	p.prepare()
	return true
}

// portsOfData finds the number of ports from the first matrix: a line with an odd count of numbers
// starts one, lines with an even count go on with it. Lines that make up the matrix that the file's name
// promises are taken as such. It returns 0 when the counts fit no matrix.
func (p *parser) portsOfData() int {
	total, count, inWord := 0, 0, false
	most, promised := 1+2*MaximumPorts*MaximumPorts, 1+2*p.fileN*p.fileN
	for i := p.pos; i <= len(p.data); i++ {
		c := byte('\n')
		if i < len(p.data) {
			c = p.data[i]
		}
		switch {
		case c == '!':
			for i+1 < len(p.data) && p.data[i+1] != '\n' && p.data[i+1] != '\r' {
				i++
			}
			inWord = false
		case c == '\n' || c == '\r':
			if total > 0 && count%2 == 1 || total > most {
				i = len(p.data)
				count = 0
			}
			total += count
			count, inWord = 0, false
			if p.fileN > 0 && total == promised {
				return p.fileN
			}
		case c == ' ' || c == '\t':
			inWord = false
		case !inWord:
			inWord = true
			count++
		}
	}
	for n := 1; n <= MaximumPorts; n++ {
		if total == 1+2*n*n {
			return n
		}
	}
	return 0
}

// prepare sets up the reading of matrices once the number of ports is known.
func (p *parser) prepare() {
	n := p.n.Ports
	pairs := n * n
	if p.triangle != "" {
		pairs = n * (n + 1) / 2
		p.triWork = make([]complex128, pairs)
	}
	p.need = 1 + 2*pairs
	p.rec = make([]float64, 0, min(p.need, len(p.data))+1)
	p.settleReference()
	switch par := p.n.Parameter; {
	case (par == "H" || par == "G") && n != 2:
		p.fail(p.column(), fmt.Sprintf("%s-parameters belong to 2 ports, not to %d", par, n), "")
	case (par == "H" || par == "G") && p.triangle != "":
		p.fail(p.column(), fmt.Sprintf("a triangle of %s-parameters says nothing of the other one", par),
			"write the full matrix")
	case (par == "Z" || par == "Y") && n > MaximumConverted:
		p.fail(p.column(), fmt.Sprintf("%s-parameters of more than %d ports are not converted", par, MaximumConverted),
			"write them as S")
	case par != "S" && !p.two && !p.n.single():
		p.fail(p.column(), fmt.Sprintf("version 1 does not say how %s-parameters are scaled when the references differ",
			par), "write the file as version 2, in ohm or siemens")
	}
}

// numbers reads the numbers of the line into the record and returns their count. A word that is no
// number is told and counts as one, so that the rest of the file stays in step.
func (p *parser) numbers() int {
	data, pos, count := p.data, p.pos, 0
	for {
		for pos < len(data) && (data[pos] == ' ' || data[pos] == '\t') {
			pos++
		}
		if pos == len(data) || data[pos] == '\n' || data[pos] == '\r' || data[pos] == '!' {
			break
		}
		x, next, fortran, ok := scanNumber(data, pos)
		if fortran && ok {
			p.warnOnce("fortran", p.line, pos-p.lineStart+1,
				fmt.Sprintf("%q has a Fortran exponent; it is read as E", data[pos:next]), "")
		}
		if !ok {
			p.pos = pos
			next = p.badWord()
		}
		if len(p.rec) <= 2*p.need+16 { // a longer record is told by its count
			p.rec = append(p.rec, x)
		}
		count++
		pos = next
	}
	p.pos = pos
	return count
}

// badWord tells why the word at the position is no number and returns its end.
func (p *parser) badWord() int {
	end := p.pos
	for end < len(p.data) && !blankOrEnd[p.data[end]] {
		end++
	}
	text := string(p.data[p.pos:end])
	if !p.recBad {
		shown := text
		if len(shown) > 40 {
			shown = shown[:40] + "…"
		}
		p.fail(p.column(), fmt.Sprintf("%q is not a number", shown), numberHint(text))
	}
	p.recBad = true
	return end
}

// numberHint says what to do about a word that is no number.
func numberHint(text string) string {
	lower := strings.ToLower(text)
	for _, r := range text {
		if r > 0x7e {
			return "the format is plain ASCII outside comments"
		}
	}
	switch {
	case strings.Contains(text, ","):
		return "write a decimal point, and blanks between numbers"
	case strings.HasPrefix(lower, "nan"), strings.HasPrefix(strings.TrimLeft(lower, "+-"), "inf"):
		return "leave out a frequency that was not measured; a magnitude of zero is MA or RI 0"
	case strings.IndexByte("#;*/%", text[0]) >= 0:
		return "a comment starts with !"
	case strings.ContainsAny(lower, "ij"):
		return "a complex number is two numbers"
	}
	return ""
}

// endOfRow closes a line that added count numbers to the record.
func (p *parser) endOfRow(count int) {
	start := len(p.rec) == count || count > p.need+8
	if !p.two && p.stage == network && start && p.isNoiseRow(count) {
		p.stage = noise
	}
	need := p.need
	if p.stage == noise {
		need = 5
	}
	have := len(p.rec)
	switch {
	case have == need:
		p.flush()
	case have > need:
		if !start && !p.two && count%2 == 1 { // a new matrix begins before the last one is full
			p.newMatrixTooSoon(count)
			return
		}
		p.misfit(p.recLine, fmt.Sprintf("the %s that starts here has %d numbers or more where %d belong together",
			p.what(), have, need), "a frequency starts on its own line")
		p.rec = p.rec[:0]
	case p.stage == noise && !p.two:
		p.misfit(p.line, fmt.Sprintf("a row of noise data has 5 numbers, this one has %d", have), "")
		p.rec = p.rec[:0]
	case !p.two && !start && count%2 == 1:
		p.newMatrixTooSoon(count)
	case !p.two && start && count%2 == 0:
		p.misfit(p.line, fmt.Sprintf("a matrix starts with its frequency and whole pairs; this line has %d numbers",
			count), p.shortHint())
		p.rec = p.rec[:0]
	}
	if p.stage == network && count > 9 {
		p.warnOnce("four pairs", p.line, 1, "lines hold more than four pairs", "other programs may not read it")
	}
}

// misfit tells of numbers that make no matrix, unless one of them was told to be no number.
func (p *parser) misfit(line int, what, hint string) {
	if !p.recBad {
		p.add(line, 1, false, what, hint)
	}
}

func (p *parser) what() string {
	if p.stage == noise {
		return "row of noise data"
	}
	return "matrix"
}

func (p *parser) shortHint() string {
	return fmt.Sprintf("a frequency of %s has 1 + %d numbers", ports(p.n.Ports), p.need-1)
}

// newMatrixTooSoon tells of a matrix that is not full when a line with an odd count of numbers, the last
// count of the record, starts the next one.
func (p *parser) newMatrixTooSoon(count int) {
	hint := p.shortHint()
	if p.n.Ports == 2 && len(p.rec)-count == 5 {
		hint += "; noise data start at or below the last frequency"
	}
	p.misfit(p.recLine, fmt.Sprintf("the matrix that starts here has %d of %d numbers", len(p.rec)-count, p.need), hint)
	p.rec = append(p.rec[:0], p.rec[len(p.rec)-count:]...)
	p.recLine, p.recStart, p.recBad = p.line, p.lineStart, false
	switch {
	case len(p.rec) == p.need:
		p.flush()
	case len(p.rec) > p.need:
		p.rec = p.rec[:0]
	}
}

// isNoiseRow tells the first row of noise data in a version 1 file, which has no mark of its own: five
// numbers, at a frequency that does not rise.
func (p *parser) isNoiseRow(count int) bool {
	return p.n.Ports == 2 && count == 5 && p.n.Points() > 0 && p.rec[0]*p.scale <= p.n.Frequencies[p.n.Points()-1]
}

// flush takes a full record into the network.
func (p *parser) flush() {
	rec := p.rec
	p.rec = p.rec[:0]
	hz := rec[0] * p.scale
	switch {
	case p.recBad:
		return
	case !(hz >= 0 && hz <= highest):
		p.add(p.recLine, 1, false, fmt.Sprintf("the frequency %g %s is no radio frequency", rec[0], p.n.Unit),
			"is the unit on the option line right?")
		return
	case p.stage == noise:
		p.flushNoise(hz, rec)
		return
	}
	n, k := p.n, p.n.Ports*p.n.Ports
	if len(n.Frequencies) == 0 {
		p.reserve()
	}
	at := len(n.data)
	n.data = n.data[:at+k] // reserve and grow keep the room
	p.complexes(rec[1:], n.data[at:])
	if i := len(n.Frequencies); i > 0 && hz <= n.Frequencies[i-1] {
		p.notRising(hz, n.data[at:at+k])
		n.data = n.data[:at]
		return
	}
	for _, x := range n.data[at : at+k] {
		if !finite(x) {
			p.add(p.recLine, 1, false, "a number of this matrix is too large", "")
			n.data = n.data[:at]
			return
		}
	}
	n.Frequencies = append(n.Frequencies, hz)
	p.lines = append(p.lines, int32(p.recLine))
	p.grow(k)
}

// notRising tells of a frequency that does not rise; the same row given twice is dropped with a warning.
func (p *parser) notRising(hz float64, s []complex128) {
	last := p.n.Points() - 1
	if hz == p.n.Frequencies[last] {
		same := true
		for i, x := range p.n.S(last).Data {
			same = same && x == s[i]
		}
		if same {
			p.add(p.recLine, 1, true, fmt.Sprintf("%v is given twice with the same figures; once is enough",
				rf.Frequency(hz)), "")
			return
		}
	}
	hint := "sort the rows and leave one per frequency"
	if p.n.Ports == 2 && !p.two {
		hint += "; a row of noise data has 5 numbers"
	}
	p.add(p.recLine, 1, false, fmt.Sprintf("the frequency %.9g Hz does not rise above the %.9g Hz before it",
		hz, p.n.Frequencies[last]), hint)
}

// reserve makes room for as many matrices as the size of the first one lets expect.
func (p *parser) reserve() {
	k := p.n.Ports * p.n.Ports
	bytesEach := max(p.pos-p.recStart, 2*p.need)
	points := (len(p.data)-p.recStart)/bytesEach + 2
	p.n.data = make([]complex128, 0, points*k)
	p.n.Frequencies = make([]float64, 0, points)
	p.lines = make([]int32, 0, points)
}

// grow keeps room for one more matrix.
func (p *parser) grow(k int) {
	if cap(p.n.data)-len(p.n.data) < k {
		larger := make([]complex128, len(p.n.data), 2*cap(p.n.data)+k)
		copy(larger, p.n.data)
		p.n.data = larger
	}
}

// complexes turns pairs of the file's format into a full matrix, row after row.
func (p *parser) complexes(pairs []float64, into []complex128) {
	target := into
	if p.triangle != "" {
		target = p.triWork
	}
	switch p.n.Format {
	case "RI":
		for i := range target {
			target[i] = complex(pairs[2*i], pairs[2*i+1])
		}
	case "MA":
		for i := range target {
			if pairs[2*i] < 0 {
				p.warnOnce("negative", p.recLine, 1, "a magnitude is negative; it is read as one turned by 180°", "")
			}
			target[i] = polar(pairs[2*i], pairs[2*i+1])
		}
	default:
		for i := range target {
			target[i] = polar(math.Exp(pairs[2*i]*(math.Ln10/20)), pairs[2*i+1])
		}
	}
	switch {
	case p.triangle != "":
		unfold(p.triangle, p.n.Ports, target, into)
	case p.swapped:
		into[1], into[2] = into[2], into[1]
	}
}

func polar(magnitude, degree float64) complex128 {
	sin, cos := math.Sincos(degree * (math.Pi / 180))
	return complex(magnitude*cos, magnitude*sin)
}

// unfold fills a symmetrical matrix from its lower or upper triangle, given row after row.
func unfold(triangle string, n int, from, into []complex128) {
	k := 0
	for i := 0; i < n; i++ {
		first, last := 0, i
		if triangle == "upper" {
			first, last = i, n-1
		}
		for j := first; j <= last; j++ {
			into[i*n+j], into[j*n+i] = from[k], from[k]
			k++
		}
	}
}

// flushNoise takes a row: frequency, minimum noise figure in dB, magnitude and angle of the optimum
// source reflection whatever the format of the network, and noise resistance.
func (p *parser) flushNoise(hz float64, rec []float64) {
	if p.n.Ports != 2 {
		return
	}
	rn := rec[4]
	if !p.two {
		rn *= p.n.Reference[0]
	}
	if i := len(p.n.Noise); i > 0 && hz <= p.n.Noise[i-1].Hz {
		p.add(p.recLine, 1, false, "the frequency of the noise data does not rise", "")
		return
	}
	gamma := polar(rec[2], rec[3])
	if rn < 0 || !finite(gamma) || math.IsInf(rn, 0) || math.IsInf(rec[1], 0) {
		p.add(p.recLine, 1, false, "the noise data of this row cannot be",
			"the columns are frequency, dB, magnitude, degree, resistance")
		return
	}
	p.n.Noise = append(p.n.Noise, NoisePoint{hz, rf.Gain(rec[1]), gamma, rn})
}

// closeBlock tells of a record that is not full when its block ends.
func (p *parser) closeBlock() {
	if len(p.rec) == 0 {
		return
	}
	need := p.need
	if p.stage == noise {
		need = 5
	}
	p.add(p.recLine, 1, false, fmt.Sprintf("the %s that starts here has %d of %d numbers", p.what(), len(p.rec), need),
		"the file may have been cut off")
	p.rec = p.rec[:0]
}

// finish checks what can be known only at the end, and converts to S-parameters.
func (p *parser) finish() {
	if p.stop {
		return
	}
	p.layer = inCounts
	p.closeBlock()
	if p.stage == information {
		p.add(p.seen["begin information"], 1, false, "[Begin Information] is not closed", "write [End Information]")
	}
	if p.problems.Err() == nil && p.n.Points() == 0 {
		what := "the file holds no network data"
		if p.two && p.seen["network data"] == 0 {
			what = "[Network Data] is missing"
		}
		p.add(0, 0, false, what, "")
	}
	if p.two && p.problems.Err() == nil {
		p.checkCounts()
	}
	if p.problems.Err() == nil {
		p.layer = inConversion
		p.toScattering()
	}
}

func (p *parser) checkCounts() {
	if p.counted != p.n.Points() {
		p.add(p.seen["number of frequencies"], 1,
			false, fmt.Sprintf("[Number of Frequencies] says %d, the file holds %d", p.counted, p.n.Points()),
			"the file may have been cut off")
	}
	if p.noises >= 0 && p.noises != len(p.n.Noise) {
		p.add(p.seen["number of noise frequencies"], 1, false,
			fmt.Sprintf("[Number of Noise Frequencies] says %d, the file holds %d", p.noises, len(p.n.Noise)), "")
	}
	if p.stage != ended {
		p.add(p.line-1, 0, true, "[End] is missing", "the file may have been cut off")
	}
}
