package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"griptrial/acquire"
	"griptrial/acquire/modbus"
	"griptrial/acquire/port"
	"griptrial/analyze"
	"griptrial/config"
	"griptrial/report"
)

type findOptions struct {
	bauds     []int
	parities  []string
	stopBits  int
	units     string
	unit      int
	registers string
	timeout   string
	overTCP   bool
	all       bool
	json      bool
}

func findCommand() *cobra.Command {
	o := &findOptions{}
	c := &cobra.Command{
		Use:   "find [PORT | HOST:PORT]",
		Short: "Find devices, and what their registers hold",
		Long: `find lists the serial ports of this machine. With a port or an address it asks every unit
id for one register, on a port at every rate and parity, until something answers. With
--registers it reads a range of a unit and shows each value in every type and byte order,
and which of them would make sense for a transducer at rest.

It only reads, and listens before the first byte: a port on which another master is heard
is left alone.`,
		Example: `  griptrial find                                  the serial ports
  griptrial find /dev/ttyUSB0                     the devices on one
  griptrial find /dev/ttyUSB0 --baud 19200 --parity even --unit 17 --registers input:0-15
  griptrial find 127.0.0.1:15502 --units 1-10`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 0 {
				return listPorts(c.OutOrStdout(), o.json)
			}
			return find(c.Context(), c.OutOrStdout(), c.ErrOrStderr(), args[0], o)
		},
	}
	f := c.Flags()
	f.IntSliceVar(&o.bauds, "baud", []int{19200, 9600, 38400, 57600, 115200}, "rates of a serial port to try")
	f.StringSliceVar(&o.parities, "parity", []string{"even", "none", "odd"}, "parities to try")
	f.IntVar(&o.stopBits, "stop-bits", 0, "stop bits (default 1 with a parity, without one 1 and then 2)")
	f.StringVar(&o.units, "units", "", `unit ids to ask, "1-20" (default 1-247, over Modbus TCP 255, 0 and 1-247)`)
	f.IntVar(&o.unit, "unit", 1, "unit id whose --registers to read")
	f.StringVar(&o.registers, "registers", "", `registers to read and show, "input:0-15" or "holding:100-103"`)
	f.StringVar(&o.timeout, "timeout", "100 ms", "how long to wait for each answer")
	f.BoolVar(&o.overTCP, "rtu-over-tcp", false, "the address is a serial device server that carries RTU frames")
	f.BoolVar(&o.all, "all", false, "try all rates and parities, also after something answered")
	f.BoolVar(&o.json, "json", false, "write JSON")
	return c
}

// A findJSON is what find found: ports, devices or registers.
type findJSON struct {
	Schema    int                `json:"schema"`
	Ports     []findPortJSON     `json:"ports,omitzero"`
	Address   string             `json:"address,omitempty"`
	Devices   []findDeviceJSON   `json:"devices,omitzero"`
	Complete  *bool              `json:"complete,omitempty"` // all were asked
	Unit      *int               `json:"unit,omitempty"`
	Table     string             `json:"table,omitempty"`
	Registers []findRegisterJSON `json:"registers,omitzero"`
}

type findPortJSON struct {
	Name    string `json:"name"`
	USB     string `json:"usb,omitempty"` // as a rig file states it
	Product string `json:"product,omitempty"`
}

type findDeviceJSON struct {
	Unit     int    `json:"unit"`
	Baud     int    `json:"baud,omitempty"` // of a serial port
	Parity   string `json:"parity,omitempty"`
	StopBits int    `json:"stop_bits,omitempty"`
	Answer   string `json:"answer"`
}

type findRegisterJSON struct {
	Address  int               `json:"address"`
	Raw      uint16            `json:"raw"`
	Readings []findReadingJSON `json:"readings"`
}

type findReadingJSON struct {
	Type  string         `json:"type"`
	Order string         `json:"order"`
	Value analyze.Number `json:"value"`
	Sense string         `json:"sense,omitempty"` // what it would be at rest
}

func listPorts(w io.Writer, asJSON bool) error {
	ports, err := port.List()
	if err != nil {
		return err
	}
	if asJSON {
		out := findJSON{Schema: report.Schema, Ports: []findPortJSON{}}
		for _, p := range ports {
			x := findPortJSON{Name: p.Name, Product: p.Product}
			if p.USB != (config.USB{}) {
				x.USB = p.USB.String()
			}
			out.Ports = append(out.Ports, x)
		}
		return report.WriteJSON(w, out)
	}
	if len(ports) == 0 {
		fmt.Fprintln(w, "no serial port found; a port that is not listed can still be named")
		return nil
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "port\tin the rig file\tcalls itself")
	for _, p := range ports {
		in := "address: " + p.Name
		if p.USB != (config.USB{}) {
			in = "usb: " + p.USB.String()
		}
		fmt.Fprintf(t, "%s\t%s\t%s\n", p.Name, in, p.Product)
	}
	return t.Flush()
}

func find(ctx context.Context, w, progress io.Writer, address string, o *findOptions) error {
	timeout, err := quantity("timeout", config.Time, o.timeout, 0.1)
	if err != nil {
		return err
	}
	if !(timeout >= 0.001 && timeout <= 60) {
		return wrongf("--timeout: found %s; want 1 ms to 60 s", o.timeout)
	}
	bus := config.Bus{Name: "search", Kind: config.ModbusRTU, Address: address, TimeoutS: timeout}
	if strings.Contains(address, ":") && !strings.HasPrefix(address, "/") {
		bus.Kind = config.ModbusTCP
		if o.overTCP {
			bus.Kind = config.ModbusRTUOverTCP
		}
	}
	settings, err := o.settings()
	if err != nil {
		return err
	}
	if o.registers != "" {
		return showRegisters(ctx, w, bus, settings, o)
	}
	units, err := o.unitsOn(bus.Kind)
	if err != nil {
		return err
	}
	s := modbus.Search{Bus: bus, Settings: settings, Units: units, All: o.all}
	if isTerminal(progress) {
		bar := progressbar.NewOptions(1, progressbar.OptionSetWriter(progress), progressbar.OptionSetDescription("unit ids asked"),
			progressbar.OptionShowCount(), progressbar.OptionSetWidth(30), progressbar.OptionClearOnFinish(), progressbar.OptionThrottle(100*time.Millisecond))
		s.Progress = func(made, of int) {
			bar.ChangeMax(of)
			bar.Set(made)
		}
	}
	found, err := s.Run(ctx)
	if o.json && err == nil {
		complete := ctx.Err() == nil
		out := findJSON{Schema: report.Schema, Address: address, Complete: &complete, Devices: []findDeviceJSON{}}
		for _, f := range found {
			out.Devices = append(out.Devices, findDeviceJSON{f.Unit, f.Serial.Baud, f.Serial.Parity, f.Serial.StopBits, f.Answer})
		}
		return report.WriteJSON(w, out)
	}
	if len(found) > 0 && !o.json {
		t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "unit\tat\tanswer")
		for _, f := range found {
			at := address
			if f.Serial.Baud > 0 {
				at = fmt.Sprintf("%d baud, parity %s, %d stop bits", f.Serial.Baud, f.Serial.Parity, f.Serial.StopBits)
			}
			fmt.Fprintf(t, "%d\t%s\t%s\n", f.Unit, at, f.Answer)
		}
		t.Flush()
	}
	switch {
	case errors.Is(err, acquire.ErrForeign):
		return fmt.Errorf("%s: %w", address, err)
	case err != nil:
		return fmt.Errorf("%s: %w", address, err)
	case ctx.Err() != nil:
		fmt.Fprintln(w, "ended before all were asked")
	case len(found) == 0:
		fmt.Fprintf(w, "%s: nothing answered within %s\n", address, o.timeout)
	}
	return nil
}

// settings returns the settings of a serial port in the order to try.
func (o *findOptions) settings() ([]config.Serial, error) {
	var all []config.Serial
	for _, baud := range o.bauds {
		if baud < 1200 || baud > 3_000_000 {
			return nil, wrongf("--baud: found %d; want 1200 to 3000000", baud)
		}
		for _, parity := range o.parities {
			if !slices.Contains([]string{"even", "odd", "none"}, parity) {
				return nil, wrongf("--parity: found %q; want even, odd or none", parity)
			}
			stops := []int{1}
			if parity == "none" {
				stops = []int{1, 2} // 2 by the standard, 1 by habit; most devices take either
			}
			switch o.stopBits {
			case 0:
			case 1, 2:
				stops = []int{o.stopBits}
			default:
				return nil, wrongf("--stop-bits: found %d; want 1 or 2", o.stopBits)
			}
			for _, stop := range stops {
				all = append(all, config.Serial{Baud: baud, Parity: parity, StopBits: stop})
			}
		}
	}
	if len(all) == 0 {
		return nil, wrongf("--baud, --parity: nothing to try")
	}
	return all, nil
}

func (o *findOptions) unitsOn(kind config.BusKind) ([]int, error) {
	low, high := 1, 247
	var units []int
	if kind == config.ModbusTCP {
		low, high = 0, 255
		if o.units == "" {
			units = []int{255, 0} // of a device that is no gateway
		}
	}
	from, to, err := span(o.units, "1-247")
	if err != nil || from < low || to > high {
		return nil, wrongf("--units: found %q; want ids from %d to %d such as \"1-20\"", o.units, low, high)
	}
	for u := from; u <= to; u++ {
		units = append(units, u)
	}
	return units, nil
}

// span reads "3" or "1-20".
func span(text, fallback string) (from, to int, err error) {
	if text == "" {
		text = fallback
	}
	a, b, ok := strings.Cut(text, "-")
	if !ok {
		b = a
	}
	if from, err = strconv.Atoi(strings.TrimSpace(a)); err == nil {
		to, err = strconv.Atoi(strings.TrimSpace(b))
	}
	if err == nil && from > to {
		err = errors.New("the first is above the last")
	}
	return from, to, err
}

func showRegisters(ctx context.Context, w io.Writer, bus config.Bus, settings []config.Serial, o *findOptions) error {
	table, which, _ := strings.Cut(o.registers, ":")
	from, to, err := span(which, "")
	if (table != "input" && table != "holding") || err != nil || from < 0 || to > 65535 || to-from >= 1000 {
		return wrongf(`--registers: found %q; want a table and up to 1000 addresses such as "input:0-15"`, o.registers)
	}
	if o.unit < 0 || o.unit > 255 || bus.Kind != config.ModbusTCP && (o.unit < 1 || o.unit > 247) {
		return wrongf("--unit: found %d; want 1 to 247", o.unit)
	}
	if bus.OnSerialPort() {
		if len(settings) > 1 && (len(o.bauds) > 1 || len(o.parities) > 1) {
			return wrongf("--registers: state one --baud and one --parity; griptrial find %s finds them", bus.Address)
		}
		bus.Serial = settings[0]
	}
	registers, err := modbus.ReadRegisters(ctx, bus, o.unit, config.Table(table), from, to-from+1)
	if err != nil {
		return fmt.Errorf("%s: %w", bus.Address, err)
	}
	if o.json {
		out := findJSON{Schema: report.Schema, Address: bus.Address, Unit: &o.unit, Table: table}
		for i, raw := range registers {
			x := findRegisterJSON{Address: from + i, Raw: raw}
			for _, m := range modbus.Meanings(registers, i) {
				x.Readings = append(x.Readings, findReadingJSON{m.Type, m.Order, analyze.Number(m.Value), m.Sense})
			}
			out.Registers = append(out.Registers, x)
		}
		return report.WriteJSON(w, out)
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "address\thex\tu16\ti16\tBA u16\tBA i16\tf32 ABCD\tCDAB\tBADC\tDCBA\tu32 ABCD\tCDAB\tBADC\tDCBA\ti32 ABCD\tCDAB\tBADC\tDCBA\tmakes sense at rest as")
	for i := range registers {
		fmt.Fprintf(t, "%d\t%04x", from+i, registers[i])
		meanings := modbus.Meanings(registers, i)
		var senses []string
		value := map[string]float64{}
		for _, m := range meanings {
			value[m.Type+m.Order] = m.Value
			if m.Sense != "" {
				senses = append(senses, fmt.Sprintf("%s %s = %.6g (%s)", m.Type, m.Order, m.Value, m.Sense))
			}
		}
		columns := []string{"u16AB", "i16AB", "u16BA", "i16BA"}
		for _, kind := range []string{"f32", "u32", "i32"} {
			for _, order := range []string{"ABCD", "CDAB", "BADC", "DCBA"} {
				columns = append(columns, kind+order)
			}
		}
		for _, c := range columns {
			x, ok := value[c]
			switch {
			case !ok || math.IsNaN(x):
				fmt.Fprint(t, "\t–")
			case strings.HasPrefix(c, "f32"):
				fmt.Fprintf(t, "\t%.6g", x)
			default:
				fmt.Fprintf(t, "\t%.0f", x)
			}
		}
		fmt.Fprintf(t, "\t%s\n", strings.Join(senses, "; "))
	}
	return t.Flush()
}
