package rf

import "math"

// convert carries the bound of a level over to another kind of level.
func convert[U, V Unit](l Level[U], db float64) Level[V] {
	switch l.st {
	case absent:
		return Level[V]{}
	case off:
		return Off[V]()
	}
	out := levelFromDB[V](db)
	return out.WithBound(l.Bound())
}

// ohmsInDB returns 10·log10(r), or NaN for a resistance that is absent or negative, so that a level
// computed with it is absent and never off.
func ohmsInDB(r Resistance) float64 {
	if !(r > 0) {
		return math.NaN()
	}
	return 10 * math.Log10(float64(r))
}

// VoltageAcross returns the r.m.s. voltage of a power dissipated in a resistance. As in every
// conversion here, an absent resistance gives an absent level.
func VoltageAcross(p Power, r Resistance) Voltage {
	return convert[Watt, Volt](p, p.db+ohmsInDB(r))
}

// PowerInto returns the power of an r.m.s. voltage across a resistance.
func PowerInto(v Voltage, r Resistance) Power {
	return convert[Volt, Watt](v, v.db-ohmsInDB(r))
}

// CurrentThrough returns the r.m.s. current of a power dissipated in a resistance.
func CurrentThrough(p Power, r Resistance) Current {
	return convert[Watt, Ampere](p, p.db-ohmsInDB(r))
}

// PowerOfCurrent returns the power of an r.m.s. current in a resistance.
func PowerOfCurrent(i Current, r Resistance) Power {
	return convert[Ampere, Watt](i, i.db+ohmsInDB(r))
}

// CurrentOfVoltage returns the r.m.s. current that a voltage drives through a resistance.
func CurrentOfVoltage(v Voltage, r Resistance) Current {
	return convert[Volt, Ampere](v, v.db-2*ohmsInDB(r))
}

// VoltageOfCurrent returns the r.m.s. voltage across a resistance that carries a current.
func VoltageOfCurrent(i Current, r Resistance) Voltage {
	return convert[Ampere, Volt](i, i.db+2*ohmsInDB(r))
}

// ProbeVoltage returns the voltage a current probe of transfer impedance zt puts into 50 Ω
// (CISPR 16-1-2: Zt[dBΩ] = U[dBµV] − I[dBµA]).
func ProbeVoltage(i Current, zt Transimpedance) Voltage {
	if !zt.Exact() {
		return Voltage{}
	}
	return convert[Ampere, Volt](i, i.db+zt.db)
}

// ProbeCurrent returns the cable current behind a probe's voltage into 50 Ω.
func ProbeCurrent(v Voltage, zt Transimpedance) Current {
	if !zt.Exact() {
		return Current{}
	}
	return convert[Volt, Ampere](v, v.db-zt.db)
}

// TransimpedanceOfJigGain returns Zt from the gain S21 of a perfect 50 Ω jig measurement:
// Zt = 50·|S21| (CISPR 16-1-2).
func TransimpedanceOfJigGain(s21 Gain) Transimpedance {
	return DBOhm(20*math.Log10(float64(Z0)) + float64(s21))
}
