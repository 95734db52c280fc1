package remedy

import (
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// Element is one branch of what stands between connector and circuit: in series with the wires, or
// from them to the chassis.
type Element struct {
	Shunt bool
	Z     twoport.OnePort
}

// Elements are branches in order, from the cable to the circuit.
type Elements []Element

// Chain returns the elements as a two-port, its input toward the cable.
func (e Elements) Chain() twoport.Chain {
	var c twoport.Chain
	for _, x := range e {
		if x.Shunt {
			c = append(c, twoport.Shunt{Z: x.Z})
		} else {
			c = append(c, twoport.Series{Z: x.Z})
		}
	}
	return c
}

// CapacitorToChassis is a capacitor from the wires to the chassis.
func CapacitorToChassis(c twoport.Capacitor) Elements { return Elements{{true, c}} }

// ChokeInLine is a common mode choke in the wires.
func ChokeInLine(c twoport.Choke) Elements { return Elements{{false, c}} }

// RC is a resistor in the wires, then a capacitor to the chassis.
func RC(r rf.Resistance, c twoport.Capacitor) Elements {
	return Elements{{false, twoport.Resistor(r)}, {true, c}}
}

// LC is an inductor in the wires, then a capacitor to the chassis; with capacitorFirst the other way
// round. The inductor belongs on the side of the low impedance.
func LC(l twoport.Inductor, c twoport.Capacitor, capacitorFirst bool) Elements {
	if capacitorFirst {
		return Elements{{true, c}, {false, l}}
	}
	return Elements{{false, l}, {true, c}}
}

// Pi is a capacitor, an inductor and a capacitor.
func Pi(first twoport.Capacitor, l twoport.Inductor, second twoport.Capacitor) Elements {
	return Elements{{true, first}, {false, l}, {true, second}}
}

// Bond is what joins the cable's shield to the chassis: the circuit sees the voltage across it.
func Bond(r rf.Resistance, l rf.Inductance) Elements {
	return Elements{{true, twoport.Inductor{Henry: l, Ohm: r}}}
}
