package port

import (
	"encoding/binary"
	"fmt"
	"strings"
)

// Commands of RFC 2217 as a client sends them. The server's are greater by comServer.
const (
	comSignature     = 0
	comSpeed         = 1
	comDataBits      = 2
	comParity        = 3
	comStopBits      = 4
	comControl       = 5
	comLineState     = 6
	comModemState    = 7
	comSuspend       = 8
	comResume        = 9
	comLineMask      = 10
	comModemMask     = 11
	comPurge         = 12
	comServer        = 100
	comPurgeBoth     = 3
	controlFlowNone  = 1
	controlFlowXON   = 2
	controlFlowRTS   = 3
	controlDTROn     = 8
	controlDTROff    = 9
	controlRTSOn     = 11
	controlRTSOff    = 12
	controlFlowDCD   = 17
	controlFlowDSR   = 19
	modemDCD         = 128
	modemRI          = 64
	modemDSR         = 32
	modemCTS         = 16
	lineBreak        = 16
	lineFraming      = 8
	lineParity       = 4
	lineOverrun      = 2
	lineErrors       = lineFraming | lineParity | lineOverrun // a byte is not what was sent, or is missing
	stopBitsOneAHalf = 3
)

// comSetting is one of the settings that must be confirmed before a byte counts.
type comSetting uint8

const (
	setSpeed comSetting = iota
	setDataBits
	setParity
	setStopBits
	setFlow
	comSettings
)

// untold stands for a setting that the server has said nothing about.
const untold = -1

// comValues are the settings of a serial port as RFC 2217 numbers them.
type comValues [comSettings]int64

var comParities = map[string]int64{ParityNone: 1, ParityOdd: 2, ParityEven: 3, ParityMark: 4, ParitySpace: 5}

var comFlows = map[string]int64{FlowNone: controlFlowNone, FlowXONXOFF: controlFlowXON, FlowRTSCTS: controlFlowRTS}

// comValues are what a configuration, defaults filled in, asks for. Its one and two stop bits have the numbers 1 and 2.
func (c Config) comValues() comValues {
	return comValues{int64(c.Speed), int64(c.DataBits), comParities[c.Parity], int64(c.StopBits), comFlows[c.Flow]}
}

// appendSettings adds the commands that set all of them.
func (v comValues) appendSettings(dst []byte) []byte {
	dst = appendNegotiation(dst, optionComPort, append([]byte{comSpeed}, binary.BigEndian.AppendUint32(nil, uint32(v[setSpeed]))...)...)
	dst = appendNegotiation(dst, optionComPort, comDataBits, byte(v[setDataBits]))
	dst = appendNegotiation(dst, optionComPort, comParity, byte(v[setParity]))
	dst = appendNegotiation(dst, optionComPort, comStopBits, byte(v[setStopBits]))
	return appendNegotiation(dst, optionComPort, comControl, byte(v[setFlow]))
}

// unconfirmed names the settings that the server has said nothing about.
func (v comValues) unconfirmed() string {
	var names []string
	for i, name := range []string{"the speed", "the data bits", "the parity", "the stop bits", "the flow control"} {
		if v[i] == untold {
			names = append(names, name)
		}
	}
	return strings.Join(names, ", ")
}

// differs says which settings are other than those wanted, in words, or "". Those that nothing was said about do not count.
func (v comValues) differs(want comValues) string {
	var list []string
	for i := range comSettings {
		if v[i] == untold || v[i] == want[i] || i == setSpeed && near(v[i], want[i]) || i == setStopBits && v.oneAndAHalf(want) {
			continue
		}
		list = append(list, fmt.Sprintf("%s instead of %s", i.words(v[i]), i.words(want[i])))
	}
	return strings.Join(list, ", ")
}

// near says whether a speed is as good as another: dividers hit it within 2.5 %, which a receiver stands.
func near(got, want int64) bool { return 1000*max(got-want, want-got) <= 25*want }

// oneAndAHalf says whether the server makes the one and a half stop bits that the usual circuits make of two where a
// character has five bits. With any other size they are another setting.
func (v comValues) oneAndAHalf(want comValues) bool {
	return v[setStopBits] == stopBitsOneAHalf && want[setStopBits] == 2 && want[setDataBits] == 5
}

func (s comSetting) words(value int64) string {
	switch s {
	case setSpeed:
		return fmt.Sprintf("%d bits a second", value)
	case setDataBits:
		return fmt.Sprintf("%d data bits", value)
	case setParity:
		return "parity " + nameOf(comParities, value)
	case setStopBits:
		if value == stopBitsOneAHalf {
			return "1.5 stop bits"
		}
		return fmt.Sprintf("%d stop bits", value)
	}
	return "flow control " + nameOf(comFlows, value)
}

func nameOf(numbers map[string]int64, value int64) string {
	for name, n := range numbers {
		if n == value {
			return name
		}
	}
	return fmt.Sprintf("number %d of RFC 2217", value)
}

// comState is what the server has said of its serial port.
type comState struct {
	values    comValues
	dtr, rts  byte // the last answer of each kind, 0 for none
	modem     byte // the modem lines, as last notified
	modems    uint64
	answers   [comPurge + 1]uint64 // how many of each kind came
	dtrs      uint64               // answers about DTR
	rtss      uint64               // answers about RTS
	lineMask  int                  // which line errors it reports; untold
	suspended bool                 // we are not to send
	signature string
}

func newComState() comState {
	return comState{values: comValues{untold, untold, untold, untold, untold}, lineMask: untold}
}

// hear takes a command of the server. line is what it notifies of the line, and asks whether it wants to know who we are.
// What is too short or not known is left out: a value that matters is then not confirmed.
func (s *comState) hear(p []byte) (line byte, asks bool) {
	if len(p) == 0 || p[0] < comServer || p[0] > comServer+comPurge {
		return 0, false
	}
	command, value := p[0]-comServer, p[1:]
	s.answers[command]++
	switch command {
	case comSignature:
		s.signature = string(value)
		return 0, len(value) == 0
	case comSuspend:
		s.suspended = true
		return 0, false
	case comResume:
		s.suspended = false
		return 0, false
	case comSpeed: // known servers add four NULs (the notes in the client of pyserial 3.5)
		if len(value) >= 4 {
			s.values[setSpeed] = int64(binary.BigEndian.Uint32(value))
		}
		return 0, false
	}
	if len(value) == 0 {
		return 0, false
	}
	switch v := value[0]; command {
	case comDataBits, comParity, comStopBits:
		s.values[setDataBits+comSetting(command-comDataBits)] = int64(v)
	case comControl:
		s.hearControl(v)
	case comLineState:
		return v, false
	case comModemState:
		s.modem = v
		s.modems++
	case comLineMask:
		s.lineMask = int(v)
	}
	return 0, false
}

// hearControl takes the answer to SET-CONTROL. What concerns inbound flow control and the sending of breaks we never asked.
func (s *comState) hearControl(v byte) {
	switch v {
	case controlFlowNone, controlFlowXON, controlFlowRTS, controlFlowDCD, controlFlowDSR:
		s.values[setFlow] = int64(v)
	case controlDTROn, controlDTROff:
		s.dtr = v
		s.dtrs++
	case controlRTSOn, controlRTSOff:
		s.rts = v
		s.rtss++
	}
}

// lines are the modem lines as last said.
func (s *comState) lines() Lines {
	return Lines{DTR: s.dtr == controlDTROn, RTS: s.rts == controlRTSOn, CTS: s.modem&modemCTS != 0, DSR: s.modem&modemDSR != 0,
		DCD: s.modem&modemDCD != 0, RI: s.modem&modemRI != 0}
}
