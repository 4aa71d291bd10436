// Lines opens a serial port, switches DTR and RTS in each way, and prints what the port says of its lines beside what the kernel
// says in /proc/tty/driver/serial.
package main

import (
	"context"
	"fmt"
	"os"
	"strings"

	"weighpost/gateway/port"
)

func main() {
	if err := run(os.Args[1], os.Args[2]); err != nil {
		fmt.Println(err)
		os.Exit(1)
	}
}

// run prints one line for each way: what was asked for, "=", what the port says, "=", what the kernel says of the port with a
// number.
func run(device, number string) error {
	p, err := port.Config{Address: device}.Open(context.Background())
	if err != nil {
		return err
	}
	defer p.Close()
	m := p.(port.Modem)
	for _, dtr := range []bool{false, true} {
		for _, rts := range []bool{true, false} {
			if err := m.SetDTR(dtr); err != nil {
				return err
			}
			if err := m.SetRTS(rts); err != nil {
				return err
			}
			l, err := m.Lines()
			if err != nil {
				return err
			}
			kernel, err := os.ReadFile("/proc/tty/driver/serial")
			if err != nil {
				return err
			}
			_, of, _ := strings.Cut(string(kernel), "\n"+number+": ")
			of, _, _ = strings.Cut(of, "\n")
			fmt.Printf("%v %v = %v %v = %v %v\n", dtr, rts, l.DTR, l.RTS, strings.Contains(of, "DTR"), strings.Contains(of, "RTS"))
		}
	}
	return m.Purge()
}
