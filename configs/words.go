package configs

import (
	"slices"

	"roundsman/collector/modbus"
)

// The words of the files for the values of package modbus.

var tableWords = []string{"holding", "input", "coil", "discrete"}

var tables = map[string]modbus.Table{
	"holding": modbus.HoldingRegisters, "input": modbus.InputRegisters,
	"coil": modbus.Coils, "discrete": modbus.DiscreteInputs,
}

const (
	types  = modbus.Text + 1
	orders = modbus.DCBA + 1
)

func typeWords() []string {
	out := make([]string, types)
	for i := range out {
		out[i] = modbus.Type(i).String()
	}
	return out
}

func orderWords() []string {
	out := make([]string, orders)
	for i := range out {
		out[i] = modbus.Order(i).String()
	}
	return out
}

func typeOf(word string) modbus.Type {
	return modbus.Type(max(0, slices.Index(typeWords(), word)))
}

func orderOf(word string) modbus.Order {
	return modbus.Order(max(0, slices.Index(orderWords(), word)))
}

// modulusOf returns the count after which a counter of this type begins again at 0; 0: it does not.
func modulusOf(t modbus.Type) float64 {
	switch t {
	case modbus.Uint16, modbus.Int16:
		return 1 << 16
	case modbus.Uint32, modbus.Int32:
		return 1 << 32
	case modbus.Uint64, modbus.Int64:
		return 1 << 64
	case modbus.BCD16:
		return 1e4
	case modbus.BCD32:
		return 1e8
	}
	return 0
}
