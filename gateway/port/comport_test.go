package port

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
)

// The three files of testdata are of RFC 2217: commands and values as in the text of pyserial's serial/rfc2217.py, the frames
// computed from them; SIGNATURE and the values 0 that ask are from memory.

func TestCommandsAreThoseOfTheRFC(t *testing.T) {
	ours := map[string]int{"SIGNATURE": comSignature, "SET-BAUDRATE": comSpeed, "SET-DATASIZE": comDataBits, "SET-PARITY": comParity,
		"SET-STOPSIZE": comStopBits, "SET-CONTROL": comControl, "NOTIFY-LINESTATE": comLineState, "NOTIFY-MODEMSTATE": comModemState,
		"FLOWCONTROL-SUSPEND": comSuspend, "FLOWCONTROL-RESUME": comResume, "SET-LINESTATE-MASK": comLineMask,
		"SET-MODEMSTATE-MASK": comModemMask, "PURGE-DATA": comPurge}
	list := rows(t, "testdata/rfc2217_commands.csv")
	for _, row := range list {
		n, known := ours[row["command"]]
		if !known || n != number(t, row["client_to_server"]) || n+comServer != number(t, row["server_to_client"]) {
			t.Errorf("%v: ours is %d, known: %v", row, n, known)
		}
	}
	if len(list) != len(ours) {
		t.Errorf("%d commands there and %d here", len(list), len(ours))
	}
}

func TestValuesAreThoseOfTheRFC(t *testing.T) {
	ours := map[string]int64{
		"SET-DATASIZE 5 data bits": Config{DataBits: 5}.comValues()[setDataBits], "SET-DATASIZE 6 data bits": Config{DataBits: 6}.comValues()[setDataBits],
		"SET-DATASIZE 7 data bits": Config{DataBits: 7}.comValues()[setDataBits], "SET-DATASIZE 8 data bits": Config{DataBits: 8}.comValues()[setDataBits],
		"SET-PARITY none": comParities[ParityNone], "SET-PARITY odd": comParities[ParityOdd], "SET-PARITY even": comParities[ParityEven],
		"SET-PARITY mark": comParities[ParityMark], "SET-PARITY space": comParities[ParitySpace],
		"SET-STOPSIZE 1 stop bit": Config{StopBits: 1}.comValues()[setStopBits], "SET-STOPSIZE 2 stop bits": Config{StopBits: 2}.comValues()[setStopBits],
		"SET-STOPSIZE 1.5 stop bits": stopBitsOneAHalf, "SET-CONTROL no flow control (both or outbound)": comFlows[FlowNone],
		"SET-CONTROL XON/XOFF (both or outbound)": comFlows[FlowXONXOFF], "SET-CONTROL hardware (both or outbound)": comFlows[FlowRTSCTS],
		"SET-CONTROL DTR on": controlDTROn, "SET-CONTROL DTR off": controlDTROff, "SET-CONTROL RTS on": controlRTSOn, "SET-CONTROL RTS off": controlRTSOff,
		"SET-CONTROL DCD outbound": controlFlowDCD, "SET-CONTROL DSR outbound": controlFlowDSR,
		"LINESTATE bit break detected": lineBreak, "LINESTATE bit framing error": lineFraming, "LINESTATE bit parity error": lineParity,
		"LINESTATE bit overrun error": lineOverrun, "MODEMSTATE bit carrier detect": modemDCD, "MODEMSTATE bit ring indicator": modemRI,
		"MODEMSTATE bit DSR": modemDSR, "MODEMSTATE bit CTS": modemCTS, "PURGE-DATA both": comPurgeBoth,
	}
	for _, row := range rows(t, "testdata/rfc2217_values.csv") {
		name := row["command"] + " " + row["meaning"]
		if n, used := ours[name]; used && n != int64(number(t, row["value"])) {
			t.Errorf("%s is %s, ours is %d", name, row["value"], n)
		}
		delete(ours, name)
	}
	for name := range ours {
		t.Errorf("there is no %s in the table", name)
	}
}

func TestFramesAreThoseOfTheRFC(t *testing.T) {
	speed := func(n int) []byte { return negotiationFrom(comValues{int64(n), 8, 1, 1, 1}.appendSettings(nil), 0) }
	set := func(v comValues, i int) []byte { return negotiationFrom(v.appendSettings(nil), i) }
	com := func(p ...byte) []byte { return appendNegotiation(nil, optionComPort, p...) }
	ours := map[string][]byte{
		"WILL COM-PORT-OPTION": new(options).ask()[:3], "DO COM-PORT-OPTION": new(options).hear(telnetWILL, optionComPort),
		"client SET-BAUDRATE 9600": speed(9600), "client SET-BAUDRATE 300": speed(300), "client SET-BAUDRATE 115200": speed(115200),
		"client SET-BAUDRATE 0 (ask)": speed(0), "client SET-BAUDRATE 65280 (IAC doubled)": speed(65280),
		"client SET-DATASIZE 7": set(comValues{9600, 7, 3, 1, 1}, 1), "client SET-PARITY even": set(comValues{9600, 7, comParities[ParityEven], 1, 1}, 2),
		"client SET-STOPSIZE 1": set(comValues{9600, 7, 3, 1, 1}, 3), "client SET-CONTROL no flow control": set(comValues{9600, 7, 3, 1, comFlows[FlowNone]}, 4),
		"client SET-CONTROL DTR on": com(comControl, controlDTROn), "client SET-LINESTATE-MASK 255 (IAC doubled)": com(comLineMask, 255),
		"client PURGE-DATA both": com(comPurge, comPurgeBoth), "client FLOWCONTROL-SUSPEND": com(comSuspend),
	}
	for _, row := range rows(t, "testdata/rfc2217_frames.csv") {
		frame, err := hex.DecodeString(row["bytes_hex"])
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasPrefix(row["what"], "server ") {
			s := newComState()
			line, _ := s.hear(heard(t, frame).last)
			if got := fmt.Sprint(s.values[setSpeed], line); got != map[string]string{"server SET-BAUDRATE 9600": "9600 0", "server NOTIFY-LINESTATE framing error": "-1 8"}[row["what"]] {
				t.Errorf("%s is understood as %s", row["what"], got)
			}
			continue
		}
		if ours, is := ours[row["what"]]; !is || !bytes.Equal(ours, frame) {
			t.Errorf("%s is %x, ours %x", row["what"], frame, ours)
		}
		delete(ours, row["what"])
	}
	for name := range ours {
		t.Errorf("there is no %s in the table", name)
	}
}

// negotiationFrom gives the sub-negotiation with a number of a text of nothing else.
func negotiationFrom(p []byte, i int) []byte {
	for range i {
		p = p[bytes.Index(p, []byte{telnetIAC, telnetSE})+2:]
	}
	return p[:bytes.Index(p, []byte{telnetIAC, telnetSE})+2]
}

func TestWhatAServerSaysIsHeldAgainstWhatWasAsked(t *testing.T) {
	want := Config{Speed: 9600, DataBits: 7, Parity: ParityEven, StopBits: 2, Flow: FlowNone}.comValues()
	five := Config{Speed: 9600, DataBits: 5, Parity: ParityEven, StopBits: 2, Flow: FlowNone}.comValues()
	for _, c := range []struct {
		got, want comValues
		words     string
	}{
		{comValues{9600, 7, 3, 2, 1}, want, ""},
		{comValues{9615, 7, 3, 2, 1}, want, ""}, // what a divider makes of 9600
		{comValues{9840, 7, 3, 2, 1}, want, ""}, // 2.5 %
		{comValues{9841, 7, 3, 2, 1}, want, "9841 bits a second instead of 9600 bits a second"},
		{comValues{0, 7, 3, 2, 1}, want, "0 bits a second instead of 9600 bits a second"},
		{comValues{9600, 8, 1, 2, 1}, want, "8 data bits instead of 7 data bits, parity none instead of parity even"},
		{comValues{9600, 7, 3, 1, 17}, want, "1 stop bits instead of 2 stop bits, flow control number 17 of RFC 2217 instead of flow control none"},
		{comValues{9600, 7, 3, 3, 1}, want, "1.5 stop bits instead of 2 stop bits"},
		{comValues{9600, 5, 3, 3, 1}, five, ""},
		{comValues{untold, untold, untold, untold, untold}, want, ""},
	} {
		if got := c.got.differs(c.want); got != c.words {
			t.Errorf("%v: %q, want %q", c.got, got, c.words)
		}
	}
	if got := (comValues{9600, untold, 3, untold, 1}).unconfirmed(); got != "the data bits, the stop bits" {
		t.Errorf("not confirmed: %q", got)
	}
}

// TestWhatIsTooShortConfirmsNothing, and what is longer than it should be is read as far as it goes.
func TestWhatIsTooShortConfirmsNothing(t *testing.T) {
	for _, c := range []struct {
		said string
		want comValues
	}{
		{"", comValues{-1, -1, -1, -1, -1}}, {"\x65", comValues{-1, -1, -1, -1, -1}}, {"\x65\x00\x25\x80", comValues{-1, -1, -1, -1, -1}},
		{"\x66", comValues{-1, -1, -1, -1, -1}}, {"\x01\x00\x00\x25\x80", comValues{-1, -1, -1, -1, -1}}, {"\xff\x07", comValues{-1, -1, -1, -1, -1}},
		{"\x65\x00\x00\x25\x80\x00\x00\x00\x00", comValues{9600, -1, -1, -1, -1}}, {"\x67\x02\x09", comValues{-1, -1, 2, -1, -1}},
		{"\x69\x08", comValues{-1, -1, -1, -1, -1}}, {"\x69\x0e", comValues{-1, -1, -1, -1, -1}}, {"\x69\x02", comValues{-1, -1, -1, -1, 2}},
	} {
		s := newComState()
		s.hear([]byte(c.said))
		if s.values != c.want {
			t.Errorf("%x is understood as %v, want %v", c.said, s.values, c.want)
		}
	}
}
