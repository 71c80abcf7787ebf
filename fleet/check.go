package fleet

// turbineCaution stands in messages that could lead somebody to unload a turbine.
const turbineCaution = "follow the turbine's own manual, local code and a licensed person"

// checkTurbine refuses settings that would take the load off a spinning turbine, or leave a faulted array connected.
func checkTurbine(u *unit) {
	s, set := u.s, u.Intended
	switch {
	case u.OwnBrake && u.Source != "" && !u.Source.Turns():
		s.doc.Faultf(s.at("own_brake"), "own_brake is for wind and hydro; leave it out for %s", u.Source)
	case u.Source.Turns() && !u.OwnBrake && set.OnSharedFault == Trip:
		s.doc.Faultf(s.at("on_shared_fault"), "%s must not be set to trip: a %s turbine that loses its load while it spins can run away; "+
			"write stay, or add own_brake: true if a brake or diversion load of its own holds it without this controller; %s", s.what, u.Source, turbineCaution)
	case u.Source.Turns() && !u.OwnBrake && set.FaultDetector:
		s.doc.Faultf(s.at("fault_detector"), "%s must not be the fault detector: it stops at a ground fault, and a %s turbine that loses its load while it spins can run away; "+
			"give the detector to a pv controller, or add own_brake: true if a brake or diversion load of its own holds it without this controller; %s", s.what, u.Source, turbineCaution)
	case !u.Source.Turns() && set.FaultDetector && set.OnSharedFault == Stay:
		s.doc.Faultf(s.at("on_shared_fault"), "%s is the ring's fault detector, whose array must not stay connected at a ground fault; write trip or leave it out", s.what)
	}
}

// checkRing compares the controllers of one ring.
func checkRing(units []*unit) {
	var reference, detector *unit
	addresses := map[int]*unit{}
	for _, u := range units {
		if u.Intended.TemperatureReference {
			if reference != nil {
				u.s.doc.Faultf(u.s.at("temperature_reference"), "%s is a second temperature reference; the ring has one in line %d, and two sensors would contradict each other",
					u.s.what, reference.s.at("temperature_reference").Line)
			} else {
				reference = u
			}
		}
		if u.Intended.FaultDetector {
			if detector != nil {
				u.s.doc.Faultf(u.s.at("fault_detector"), "%s is a second fault detector; the ring has one in line %d", u.s.what, detector.s.at("fault_detector").Line)
			} else {
				detector = u
			}
		}
		if a := u.Intended.RingAddress; a != nil {
			if first := addresses[*a]; first != nil {
				u.s.doc.Faultf(u.s.at("ring_address"), "ring_address %d is also that of %s in line %d; each needs its own", *a, first.s.what, first.s.at("ring_address").Line)
			} else {
				addresses[*a] = u
			}
		}
	}
}

// Charging targets lie between these multiples of the nominal voltage: 2.0 to 2.8 V for a lead-acid cell, which leaves
// room for every equalize and for lithium, and catches a target of a 12 or 24 V bank. Common practice, no source.
const lowestTarget, highestTarget = 1.0, 1.4

// checkSetpoints holds each controller's targets against the bank and each other.
func checkSetpoints(b Bank, units []*unit) {
	for _, u := range units {
		t, v := u.setpoints, u.Intended.Setpoints
		if t == nil {
			continue
		}
		for _, target := range []struct {
			name  string
			volts *float64
		}{{"absorption", v.Absorption}, {"float", v.Float}, {"equalize", v.Equalize}} {
			if low, high := b.Nominal*lowestTarget, b.Nominal*highestTarget; target.volts != nil && b.Nominal > 0 && (*target.volts < low || *target.volts > high) {
				t.doc.Faultf(t.at(target.name), "%s of %g V does not belong to a bank of %g V; from %.4g V to %.4g V is plausible", target.name, *target.volts, b.Nominal, low, high)
			}
		}
		checkOrder(t, "float", v.Float, "absorption", v.Absorption)
		checkOrder(t, "absorption", v.Absorption, "equalize", v.Equalize)
		checkOrder(t, "float", v.Float, "equalize", v.Equalize)
		checkChemistry(t, b, v)
	}
}

func checkOrder(t *section, lower string, low *float64, higher string, high *float64) {
	if low != nil && high != nil && *low > *high {
		t.doc.Faultf(t.at(lower), "%s (%g V) is above %s (%g V)", lower, *low, higher, *high)
	}
}

func checkChemistry(t *section, b Bank, v Setpoints) {
	if b.Chemistry == Lithium && v.Equalize != nil {
		t.doc.Faultf(t.at("equalize"), "equalize is a deliberate overcharge of lead-acid cells; leave it out for lithium")
	}
	if v.TemperatureSlope == nil {
		return
	}
	switch {
	case b.Chemistry == Lithium && *v.TemperatureSlope != 0:
		t.doc.Faultf(t.at("temperature_slope"), "temperature_slope is for lead-acid; leave it out or write 0 mV/°C/cell for lithium")
	case b.Chemistry != Lithium && b.TemperatureSlope != 0 && *v.TemperatureSlope != b.TemperatureSlope:
		t.doc.Faultf(t.at("temperature_slope"), "temperature_slope is %g mV/°C/cell here and %g mV/°C/cell for the bank; one bank has one slope", *v.TemperatureSlope*1000, b.TemperatureSlope*1000)
	}
}

// checkHosts compares the controllers that share a host, across the whole file: they are units behind one gateway.
func (p *parser) checkHosts() {
	hosts := map[string][]*unit{}
	for _, u := range p.units {
		if u.Host != "" {
			hosts[u.Host] = append(hosts[u.Host], u)
		}
	}
	for _, units := range hosts {
		if len(units) > 1 {
			checkGateway(units)
		}
	}
}

// checkGateway asks for unit identifiers of serial lines, 1 to 247: Modbus TCP guide V1.0b, 4.4.1.2. There 0 is a
// broadcast, which nobody answers.
func checkGateway(units []*unit) {
	first := map[uint8]*unit{}
	for _, u := range units {
		before := units[0]
		if u == before {
			before = units[1]
		}
		other, used := first[u.Unit]
		switch {
		case used && u.unitGiven:
			u.s.doc.Faultf(u.s.at("unit"), "unit %d of host %s is already %s in line %d; each needs its own", u.Unit, u.Host, other.s.what, other.s.m.Node.Line)
		case !u.unitGiven:
			u.s.doc.Faultf(u.s.at("host"), "%s shares the host %s with %s in line %d, so it needs a unit, from 1 to 247", u.s.what, u.Host, before.s.what, before.s.m.Node.Line)
		case u.Unit == 0 || u.Unit > 247:
			u.s.doc.Faultf(u.s.at("unit"), "unit is %d; behind a gateway (%s also answers on %s, line %d) it must be from 1 to 247", u.Unit, before.s.what, u.Host, before.s.m.Node.Line)
		}
		if !used {
			first[u.Unit] = u
		}
		if a, b := units[0].TLS, u.TLS; (a == nil) != (b == nil) || a != nil && *a != *b {
			u.s.doc.Faultf(u.s.at("tls"), "%s has other tls than %s in line %d, though they share the host %s", u.s.what, units[0].s.what, units[0].s.m.Node.Line, u.Host)
		}
	}
}
