package chain

import (
	"errors"
	"fmt"
	"math"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// levels is the carrier, the crest and the mean at one place, and the variances of crest and mean.
type levels[U rf.Unit] struct {
	carrier, peak, mean rf.Level[U]
	ofPeak, ofMean      variance
}

func (l levels[U]) sub(g rf.Gain) levels[U] {
	l.carrier, l.peak, l.mean = l.carrier.Sub(g), l.peak.Sub(g), l.mean.Sub(g)
	return l
}

// doubted adds the variance of a part of the path.
func (l levels[U]) doubted(v variance) levels[U] {
	l.ofPeak, l.ofMean = l.ofPeak+v, l.ofMean+v
	return l
}

// measured puts the variance of a measurement in place of a larger one.
func (l levels[U]) measured(v variance) levels[U] {
	l.ofPeak, l.ofMean = min(l.ofPeak, v), min(l.ofMean, v)
	return l
}

// Predict computes the whole chain at a frequency for a drive and the envelope of its modulation.
// A frequency outside a band or curve is an error that names the piece. A rating that is exceeded
// or absent is no error: the node says so.
func (c *Chain) Predict(f rf.Frequency, drive rf.Power, crest Crest, fixture catalog.Fixture) (Prediction, error) {
	p, err := c.pathAt(f)
	if err != nil {
		return Prediction{}, fmt.Errorf("predict the chain at %v: %w", f, err)
	}
	return c.predict(f, p, drive, crest, fixture)
}

func (c *Chain) predict(f rf.Frequency, p path, drive rf.Power, crest Crest, fixture catalog.Fixture) (Prediction,
	error) {
	if drive.Absent() || !crest.OverCarrier.Finite() || !crest.Mean.Finite() {
		return Prediction{}, fmt.Errorf("predict the chain at %v: the drive or its modulation is not known", f)
	}
	out := Prediction{Frequency: f, Fixture: fixture, Drive: drive}
	at := levels[rf.Watt]{carrier: drive, peak: drive.Add(crest.OverCarrier), mean: drive.Add(crest.Mean)}
	at = c.driven(&out, p, at)
	out.Forward = at.carrier
	if err := c.injected(&out, p, at, crest); err != nil {
		return Prediction{}, fmt.Errorf("predict the chain at %v: %w", f, err)
	}
	return out, nil
}

// driven follows the power from the generator to the clamp's input.
func (c *Chain) driven(out *Prediction, p path, at levels[rf.Watt]) levels[rf.Watt] {
	b := c.bench
	out.power(b.Source.ID, "generator output", at, b.Source.Maximum, RatedPeak)
	at = at.doubted(p.doubts.source) // up to here it is the setting, which cannot be above the maximum
	reflected := at.sub(2 * sum(p.toAmplifier))
	for i, pad := range b.ToAmplifier {
		out.power(pad.ID, pad.Kind+" input", at, pad.MaximumPower, RatedAverage)
		at = at.sub(p.toAmplifier[i]).doubted(p.doubts.toAmplifier[i])
	}
	if b.Amplifier != nil {
		at = c.amplified(out, p, at)
	}
	// What the meter at the clamp reads counts back through what lies in front of it.
	back := p.doubts.metered + p.doubts.behind()
	metered := func() {
		if p.doubts.measured {
			at = at.measured(back)
		}
	}
	metered()
	first := len(out.Nodes)
	for i, pad := range b.ToClamp {
		out.power(pad.ID, pad.Kind+" input", at, pad.MaximumPower, RatedAverage)
		at = at.sub(p.toClamp[i]).doubted(p.doubts.toClamp[i])
		back -= p.doubts.toClamp[i]
		metered()
	}
	if k := b.Coupler; k != nil {
		out.power(k.ID, "coupler input", at, k.MaximumPower, RatedAverage)
		at = at.sub(p.coupler).doubted(p.doubts.coupler)
		back -= p.doubts.coupler
		metered()
	}
	n := out.power(b.Clamp.ID, "clamp forward power", at, b.Clamp.MaximumForward, RatedAverage)
	if n.Within && (b.Clamp.MaximumTime > 0 || b.Clamp.MaximumDuty > 0) {
		n.Note = clampTime(b.Clamp)
	}
	fromClamp := at.sub(p.returnLoss)
	c.metered(out, p, at, fromClamp)
	c.reflected(out, p, fromClamp.sub(sum(p.toClamp)+p.coupler), reflected)
	p.doubts.meter(out.Nodes[first:])
	return at
}

func clampTime(k catalog.Clamp) string {
	switch {
	case k.MaximumTime > 0 && k.MaximumDuty > 0:
		return fmt.Sprintf("rated for at most %v and %v of the time", k.MaximumTime, k.MaximumDuty)
	case k.MaximumTime > 0:
		return fmt.Sprintf("rated for at most %v", k.MaximumTime)
	}
	return fmt.Sprintf("rated for at most %v of the time", k.MaximumDuty)
}

// amplified passes the amplifier: its input as a peak, its output as a peak against saturation, the
// 1 dB compression as advice.
func (c *Chain) amplified(out *Prediction, p path, in levels[rf.Watt]) levels[rf.Watt] {
	a := c.bench.Amplifier
	out.power(a.ID, "amplifier input", in, a.MaximumInput, RatedPeak)
	// The output is a concave function of the input power, so the output at the mean input is never
	// below the mean of the output.
	at := levels[rf.Watt]{carrier: p.amplify(in.carrier), peak: p.amplify(in.peak), mean: p.amplify(in.mean)}
	at.ofPeak = (in.ofPeak + p.doubts.amplifier).capped(at.peak, a.Saturation)
	at.ofMean = (in.ofMean + p.doubts.amplifier).capped(at.mean, a.Saturation)
	if drop, _ := in.peak.Add(p.gain).Minus(at.peak); drop.Finite() {
		out.Compression = max(0, drop)
	}
	n := out.power(a.ID, "amplifier output", at, a.Saturation, RatedPeak)
	switch {
	case p.compression.Absent():
		n.refuse("no 1 dB compression is given")
	case n.Within && at.peak.Above(p.compression):
		n.Note = fmt.Sprintf("compressed by %v at the crest: the peak is above the 1 dB compression of %v",
			out.Compression, p.compression)
	case n.Within && a.MaximumDuty > 0 && a.MaximumDuty < 1:
		n.Note = fmt.Sprintf("rated for full output at most %v of the time", a.MaximumDuty)
	}
	return at
}

// reflected adds what comes back from the clamp, and what can come back to the generator. The
// match is that of the jig; where it is not known everything comes back.
func (c *Chain) reflected(out *Prediction, p path, back, fromInput levels[rf.Watt]) {
	b := c.bench
	note := ""
	if !p.matched {
		note = "total reflection is assumed: the clamp has no return loss"
	}
	if a := b.Amplifier; a != nil {
		n := out.power(a.ID, "reflected power", back, a.ReflectedLimit, RatedPeak)
		if n.Within {
			n.Note = note
		}
	} else {
		fromInput = back.sub(sum(p.toAmplifier))
	}
	// A matched generator stands its own power coming back; only a stated rating is compared.
	if b.Source.MaximumReverse.Absent() {
		if out.Drive.Known() && b.Amplifier == nil {
			out.Nodes = append(out.Nodes, Node{
				ID: b.Source.ID, Place: "generator reverse power", RatedAs: RatedPeak,
				Carrier: Value{Power: fromInput.carrier}, Peak: Value{Power: fromInput.peak},
				Mean:     Value{Power: fromInput.mean},
				Headroom: rf.Gain(math.NaN()), Within: true,
				Note: "no rating is given; no more than its own power can come back",
			})
		}
	} else {
		out.power(b.Source.ID, "generator reverse power", fromInput, b.Source.MaximumReverse, RatedPeak)
	}
}

// metered adds the ports of the power meter.
func (c *Chain) metered(out *Prediction, p path, toClamp, fromClamp levels[rf.Watt]) {
	if m := c.bench.PowerMeter; m != nil && c.bench.Coupler != nil {
		out.power(m.ID, "power meter, forward port", toClamp.sub(p.forwardCoupling), m.MaximumInput, RatedPeak)
		out.power(m.ID, "power meter, reverse port", fromClamp.sub(p.reverseCoupling), m.MaximumInput, RatedPeak)
	}
}

// injected follows the current through fixture and probe to the analyser.
func (c *Chain) injected(out *Prediction, p path, at levels[rf.Watt], crest Crest) error {
	b, f := c.bench, out.Frequency
	i, err := c.currentIn(f, p, at.carrier, out.Fixture)
	if err != nil {
		return err
	}
	out.Current, out.Low, out.High, out.Estimate = i.expected, i.low, i.high, i.estimate
	// The crest of the current follows the crest of the forward power, compression included.
	toCurrent, err := c.currentIn(f, p, at.peak, out.Fixture)
	if err != nil {
		return err
	}
	mean, err := c.currentIn(f, p, at.mean, out.Fixture)
	if err != nil {
		return err
	}
	current := levels[rf.Ampere]{carrier: i.expected, peak: toCurrent.high, mean: mean.high}
	if b.Probe == nil || b.Analyser == nil {
		current.ofPeak, current.ofMean = at.ofPeak+p.doubts.insertion, at.ofMean+p.doubts.insertion
	}
	first := len(out.Nodes)
	if out.Fixture == catalog.OnCable {
		out.current(b.Cable.ID, "cable current", current, b.Cable.MaximumCurrent)
	}
	if b.Probe == nil {
		return nil
	}
	err = c.probed(out, current)
	for i := range out.Nodes[first:] {
		if b.Analyser != nil {
			out.Nodes[first+i].By = ByAnalyser
		}
	}
	return err
}

// probed follows the probe's voltage into the analyser.
func (c *Chain) probed(out *Prediction, current levels[rf.Ampere]) error {
	b, f := c.bench, out.Frequency
	out.current(b.Probe.ID, "probe current", current, b.Probe.MaximumCurrent)
	zt, err := valueAt(b.Probe.TransferImpedance, f, b.Probe.ID, "transfer impedance")
	if err != nil {
		return err
	}
	if b.Analyser == nil {
		return nil
	}
	into := func(i rf.Current) rf.Power { return rf.PowerInto(rf.ProbeVoltage(i, zt), rf.Z0) }
	at := levels[rf.Watt]{carrier: into(current.carrier), peak: into(current.peak), mean: into(current.mean)}
	loss, err := losses(b.ToAnalyser, f)
	if err != nil {
		return err
	}
	for k, pad := range b.ToAnalyser {
		out.power(pad.ID, pad.Kind+" input", at, pad.MaximumPower, RatedAverage)
		at = at.sub(loss[k])
	}
	if err := inBand(b.Analyser.Band, f, b.Analyser.ID); err != nil {
		return err
	}
	out.Reading = at.carrier
	n := out.power(b.Analyser.ID, "analyser input", at, b.Analyser.MaximumInput, RatedPeak)
	if n.Within && at.carrier.Above(b.Analyser.MixerLimit) {
		n.Note = fmt.Sprintf("the reading would be overloaded: above the mixer limit of %v", b.Analyser.MixerLimit)
	}
	return nil
}

func (p *Prediction) power(id, place string, at levels[rf.Watt], rating rf.Power, as string) *Node {
	compared, v := at.peak, at.ofPeak
	if as == RatedAverage {
		compared, v = at.mean, at.ofMean
	}
	headroom, within, note := compare(compared.Add(v.unsure()), rating)
	p.Nodes = append(p.Nodes, Node{
		ID: id, Place: place, RatedAs: as,
		Carrier: Value{Power: at.carrier}, Peak: Value{Power: at.peak}, Mean: Value{Power: at.mean},
		Rating: Value{Power: rating}, Unsure: v.unsure(), Headroom: headroom, Within: within, Note: note,
	})
	return &p.Nodes[len(p.Nodes)-1]
}

func (p *Prediction) current(id, place string, at levels[rf.Ampere], rating rf.Current) {
	headroom, within, note := compare(at.peak.Add(at.ofPeak.unsure()), rating)
	p.Nodes = append(p.Nodes, Node{
		ID: id, Place: place, RatedAs: RatedPeak,
		Carrier: Value{Current: at.carrier}, Peak: Value{Current: at.peak}, Mean: Value{Current: at.mean},
		Rating: Value{Current: rating}, Unsure: at.ofPeak.unsure(), Headroom: headroom, Within: within, Note: note,
	})
}

// compare fails closed: a rating or a level that is not known is not within.
func compare[U rf.Unit](at, rating rf.Level[U]) (headroom rf.Gain, within bool, note string) {
	within = !at.Exceeds(rating)
	headroom, _ = rating.Minus(at)
	switch {
	case rating.Absent():
		note = "no rating is given"
	case at.Absent():
		note = "the level there is not known"
	case at.IsOff():
		headroom = rf.Gain(math.Inf(1))
	}
	return headroom, within, note
}

func (n *Node) refuse(why string) {
	n.Within, n.Note = false, why
	n.Headroom = rf.Gain(math.NaN())
}

// SafeDrive returns the largest setting of the generator, on the grid of its resolution, at which
// every node is within its rating, and the node that stands in the way of more (as it is at that
// setting). It wraps ErrForbidden when not even the generator's minimum is shown to be safe.
func (c *Chain) SafeDrive(f rf.Frequency, crest Crest, fixture catalog.Fixture) (rf.Power, Node, error) {
	return c.safeDrive(f, crest, fixture, func(p Prediction) Prediction { return p })
}

// SafeDriveLooped is SafeDrive for a closed loop, which reads the current on its way up.
func (c *Chain) SafeDriveLooped(f rf.Frequency, crest Crest, fixture catalog.Fixture) (rf.Power, Node, error) {
	return c.safeDrive(f, crest, fixture, Prediction.Looped)
}

func (c *Chain) safeDrive(f rf.Frequency, crest Crest, fixture catalog.Fixture,
	as func(Prediction) Prediction) (rf.Power, Node, error) {
	p, err := c.pathAt(f)
	if err != nil {
		return rf.Power{}, Node{}, fmt.Errorf("find the safe drive at %v: %w", f, err)
	}
	source := c.bench.Source
	if !source.Maximum.Exact() || !source.Minimum.Exact() {
		return rf.Power{}, Node{}, fmt.Errorf("find the safe drive at %v: %w: %s has no minimum or maximum level",
			f, ErrForbidden, source.ID)
	}
	step := stepOf(source)
	predict := func(k int) (Prediction, error) {
		q, err := c.predict(f, p, rf.DBm(float64(k)*step), crest, fixture)
		return as(q), err
	}
	low, high := int(math.Ceil(source.Minimum.In()/step-1e-9)), int(math.Floor(source.Maximum.In()/step+1e-9))
	first, err := predict(low)
	if err != nil {
		return rf.Power{}, Node{}, err
	}
	if !first.Within() {
		n := first.Tightest()
		return rf.Power{}, n, fmt.Errorf("find the safe drive at %v: %w: %w", f, ErrForbidden, n.Refusal())
	}
	for low < high { // low is within; the largest k that is within is sought in low…high
		k := low + (high-low+1)/2
		q, err := predict(k)
		if err != nil {
			return rf.Power{}, Node{}, err
		}
		if q.Within() {
			low = k
		} else {
			high = k - 1
		}
	}
	return c.limiting(low, predict)
}

// limiting returns the drive of grid index k with the node that fails at k+1, as it is at k.
func (c *Chain) limiting(k int, predict func(int) (Prediction, error)) (rf.Power, Node, error) {
	at, err := predict(k)
	if err != nil {
		return rf.Power{}, Node{}, err
	}
	above, err := predict(k + 1)
	if err != nil {
		return rf.Power{}, Node{}, err
	}
	worst := -1
	for i, n := range above.Nodes {
		if !n.Within && (worst < 0 || n.Headroom < above.Nodes[worst].Headroom) {
			worst = i
		}
	}
	if worst < 0 {
		return at.Drive, at.Tightest(), nil
	}
	return at.Drive, at.Nodes[worst], nil
}

func stepOf(s catalog.Source) float64 {
	if s.Resolution.Finite() && s.Resolution > 0 {
		return s.Resolution.DB()
	}
	return 0.001
}

// Refusal words why a node refuses; nil where it is within its rating.
func (n Node) Refusal() error {
	if n.Within {
		return nil
	}
	if n.Note != "" {
		return fmt.Errorf("%s, %s: %s", n.ID, n.Place, n.Note)
	}
	return fmt.Errorf("%s, %s: %v %s%s is %v over the rating of %v%s", n.ID, n.Place, n.Compared(), n.Counted(),
		Allowing(n.Unsure), -n.Headroom, n.Rating, n.regain())
}

// DriveFor returns the drive at which the expected current of the unmodulated carrier is the given
// one: the inverse of Predict. It is not rounded. Where the amplifier or the generator's maximum
// stands in the way the error wraps ErrUnreachable and says what can be reached. Ratings are not
// looked at.
func (c *Chain) DriveFor(f rf.Frequency, current rf.Current, fixture catalog.Fixture) (rf.Power, error) {
	fail := func(err error) (rf.Power, error) {
		return rf.Power{}, fmt.Errorf("find the drive for %v at %v: %w", current, f, err)
	}
	if !current.Exact() {
		return fail(errors.New("the current is not an exact level"))
	}
	p, err := c.pathAt(f)
	if err != nil {
		return fail(err)
	}
	shift, _, _, _, err := c.fixtureShift(f, fixture)
	if err != nil {
		return fail(err)
	}
	forward := rf.PowerOfCurrent(current.Sub(shift).Add(p.insertion), rf.Z0)
	drive, ok := p.drive(forward)
	if !ok || drive.Above(c.bench.Source.Maximum) {
		top, err := c.predict(f, p, c.bench.Source.Maximum, Crest{}, fixture)
		if err != nil {
			return fail(err)
		}
		return fail(fmt.Errorf("%w: %v (%s) is reached with the generator at its maximum of %v, the amplifier's gain "+
			"down by %v",
			ErrUnreachable, top.Current, top.Current.Linear(), c.bench.Source.Maximum, top.Compression))
	}
	return drive, nil
}

// DriveForForward returns the drive that gives a forward power at the clamp's input, as the
// substitution method needs it. Errors are those of DriveFor.
func (c *Chain) DriveForForward(f rf.Frequency, forward rf.Power) (rf.Power, error) {
	fail := func(err error) (rf.Power, error) {
		return rf.Power{}, fmt.Errorf("find the drive for a forward power of %v at %v: %w", forward, f, err)
	}
	if !forward.Exact() {
		return fail(errors.New("the forward power is not an exact level"))
	}
	p, err := c.pathAt(f)
	if err != nil {
		return fail(err)
	}
	drive, ok := p.drive(forward)
	if !ok || drive.Above(c.bench.Source.Maximum) {
		return fail(fmt.Errorf("%w: %v is reached with the generator at its maximum of %v",
			ErrUnreachable, p.forward(c.bench.Source.Maximum), c.bench.Source.Maximum))
	}
	return drive, nil
}
