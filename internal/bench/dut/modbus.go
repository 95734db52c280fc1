package dut

import (
	"context"
	"errors"
	"fmt"
	"io"
	stdlog "log"
	"math"
	"net"
	"strconv"
	"strings"
	"time"

	"github.com/simonvetter/modbus"

	"provoke/internal/files/catalog"
	"provoke/internal/files/resource"
)

const modbusLimit = time.Second // for one exchange

// registers asks a station for a register (MODBUS Application Protocol 1.1b3; over TCP or a serial
// line in RTU framing).
type registers struct {
	worker
	make   func() (*modbus.ModbusClient, error)
	client *modbus.ModbusClient // nil while not connected; owned by the worker's goroutine after Start
}

func newRegisters(spec catalog.Monitor, _ Options) (Monitor, error) {
	conf, err := modbusConfiguration(spec)
	if err != nil {
		return nil, fmt.Errorf("monitor %s: %w", spec.ID, err)
	}
	return &registers{worker: worker{spec: spec}, make: func() (*modbus.ModbusClient, error) {
		c, err := modbus.NewClient(&conf)
		if err != nil {
			return nil, err
		}
		if err := c.Open(); err != nil {
			return nil, err
		}
		order := modbus.HIGH_WORD_FIRST
		if spec.Modbus.LowWordFirst {
			order = modbus.LOW_WORD_FIRST
		}
		return c, errors.Join(c.SetUnitId(uint8(spec.Modbus.Station)), c.SetEncoding(modbus.BIG_ENDIAN, order))
	}}, nil
}

// modbusConfiguration turns the bench file's address into the library's.
func modbusConfiguration(spec catalog.Monitor) (modbus.ClientConfiguration, error) {
	conf := modbus.ClientConfiguration{Timeout: orElse(spec.Timeout, modbusLimit), Logger: stdlog.New(io.Discard, "", 0)}
	r, err := resource.Parse(spec.Address)
	switch {
	case err != nil:
		return conf, err
	case r.Kind == resource.Socket:
		conf.URL = "tcp://" + net.JoinHostPort(r.Host, strconv.Itoa(r.Port))
		return conf, nil
	case r.Kind != resource.Serial:
		return conf, fmt.Errorf("address %q asks for %s; Modbus is spoken over a raw socket or a serial port", r.Text, r.Kind)
	}
	conf.URL = "rtu://" + r.Device
	rate, format, _ := strings.Cut(spec.SerialLine, " ")
	speed, err := strconv.Atoi(rate)
	if err != nil || len(format) != 3 {
		return conf, fmt.Errorf("serial line %q is not written like \"19200 8E1\"", spec.SerialLine)
	}
	conf.Speed, conf.DataBits, conf.StopBits = uint(speed), uint(format[0]-'0'), uint(format[2]-'0')
	conf.Parity = map[byte]uint{'N': modbus.PARITY_NONE, 'E': modbus.PARITY_EVEN, 'O': modbus.PARITY_ODD}[format[1]]
	return conf, nil
}

// Start reads once, so that a station that is not there is told at once.
func (m *registers) Start(ctx context.Context, deliver func(Sample)) error {
	if _, err := m.read(); err != nil {
		m.hangUp()
		return fmt.Errorf("monitor %s: read %s %d of station %d at %s: %w", m.spec.ID, m.spec.Modbus.Table, m.spec.Modbus.Number, m.spec.Modbus.Station, m.spec.Address, worded(err))
	}
	err := m.start(ctx, deliver, func(ctx context.Context) {
		defer m.hangUp()
		m.every(ctx, m.spec.Period().Std(), m.look)
	})
	if err != nil {
		m.hangUp()
	}
	return err
}

func (m *registers) hangUp() {
	if m.client != nil {
		m.client.Close()
		m.client = nil
	}
}

func (m *registers) look(ctx context.Context) {
	v, err := m.read()
	switch {
	case ctx.Err() != nil:
	case err != nil:
		m.hangUp() // a late answer must have nowhere to arrive
		m.sample(Sample{Lost: worded(err).Error()})
	default:
		m.sample(Sample{Value: v, HasValue: true})
	}
}

// worded says what a station's exception usually means.
func worded(err error) error {
	switch {
	case errors.Is(err, modbus.ErrIllegalDataAddress):
		return fmt.Errorf("%w: the station has no such register; numbers count from 0, so that a manual's 40101 is holding 100", err)
	case errors.Is(err, modbus.ErrIllegalFunction):
		return fmt.Errorf("%w: the station has no such table of registers", err)
	}
	return err
}

// read asks for the register and scales it.
func (m *registers) read() (float64, error) {
	if m.client == nil {
		c, err := m.make()
		if err != nil {
			return 0, err
		}
		m.client = c
	}
	r := m.spec.Modbus
	x, err := m.raw(uint16(r.Number), r)
	if err == nil && (math.IsNaN(x) || math.IsInf(x, 0)) {
		err = errors.New("the registers hold no number")
	}
	return x * r.Scale, err
}

func (m *registers) raw(at uint16, r catalog.ModbusRegister) (float64, error) {
	bit := func(b bool, err error) (float64, error) {
		if b {
			return 1, err
		}
		return 0, err
	}
	switch r.Table {
	case catalog.Coil:
		return bit(m.client.ReadCoil(at))
	case catalog.DiscreteInput:
		return bit(m.client.ReadDiscreteInput(at))
	}
	table := modbus.HOLDING_REGISTER
	if r.Table == catalog.InputRegister {
		table = modbus.INPUT_REGISTER
	}
	switch r.Format {
	case "uint16", "int16", "":
		v, err := m.client.ReadRegister(at, table)
		if r.Format == "int16" {
			return float64(int16(v)), err
		}
		return float64(v), err
	case "uint32", "int32":
		v, err := m.client.ReadUint32(at, table)
		if r.Format == "int32" {
			return float64(int32(v)), err
		}
		return float64(v), err
	case "uint64", "int64":
		v, err := m.client.ReadUint64(at, table)
		if r.Format == "int64" {
			return float64(int64(v)), err
		}
		return float64(v), err
	case "float32":
		v, err := m.client.ReadFloat32(at, table)
		return float64(v), err
	case "float64":
		return m.client.ReadFloat64(at, table)
	}
	return 0, fmt.Errorf("format %q of a register is not known", r.Format)
}
