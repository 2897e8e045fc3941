package port

import (
	"fmt"
	"slices"
	"strings"

	"go.bug.st/serial/enumerator"

	"griptrial/config"
)

// A Listed is a serial port of this machine.
type Listed struct {
	Name    string
	USB     config.USB // zero where it is no USB adapter
	Product string     // as the adapter calls itself, "" where it does not
}

// List returns the serial ports of this machine, sorted by name. Pseudo-terminals and links
// are not among them, but may be opened by name.
func List() ([]Listed, error) {
	ports, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil, fmt.Errorf("list serial ports: %w", err)
	}
	return listed(ports), nil
}

func listed(ports []*enumerator.PortDetails) []Listed {
	var all []Listed
	for _, p := range ports {
		if p.Name == "" { // a port without a device behind it
			continue
		}
		l := Listed{Name: p.Name, Product: p.Product}
		if p.IsUSB {
			l.USB = config.USB{VID: strings.ToUpper(p.VID), PID: strings.ToUpper(p.PID), Serial: p.SerialNumber}
		}
		all = append(all, l)
	}
	slices.SortFunc(all, func(a, b Listed) int { return strings.Compare(a.Name, b.Name) })
	return all
}
