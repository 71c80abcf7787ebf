package modbusserver

// Tables is a device that answers from memory: four tables that start at address 0 and end where their slice ends.
// Asking beyond is [IllegalDataAddress]. It must not change while it is served.
type Tables struct {
	Coils, DiscreteInputs []bool
	Holding, Inputs       []uint16
}

// ReadRegisters copies holding registers (function 3) or input registers (4).
func (t *Tables) ReadRegisters(function uint8, start, count uint16, dst []uint16) error {
	table := t.Holding
	if function == ReadInputRegisters {
		table = t.Inputs
	}
	return copyTable(dst, table, start, count)
}

// ReadBits copies coils (function 1) or discrete inputs (2).
func (t *Tables) ReadBits(function uint8, start, count uint16, dst []bool) error {
	table := t.Coils
	if function == ReadDiscreteInputs {
		table = t.DiscreteInputs
	}
	return copyTable(dst, table, start, count)
}

func copyTable[T any](dst, table []T, start, count uint16) error {
	end := int(start) + int(count)
	if end > len(table) {
		return IllegalDataAddress
	}
	copy(dst, table[start:end])
	return nil
}
