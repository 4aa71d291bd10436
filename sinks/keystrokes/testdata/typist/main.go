// Command typist has a destination of the kind keystrokes deliver weighings with the digits given as arguments.
package main

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/keystrokes"
)

func main() {
	cfg := keystrokes.Default()
	cfg.Device, cfg.Map = os.Args[1], os.Args[2]
	s, err := cfg.Open("cursor", sinks.Env{Site: "north-seed-bank"})
	for i, digits := range os.Args[3:] {
		w := record.Weighing{Value: record.Value{Digits: digits, Range: "in"}, Stamp: record.Stamp{UTC: record.UTC(time.Now())}}
		b, jerr := json.Marshal(&w)
		if err == nil {
			err = jerr
		}
		if err == nil {
			_, err = s.Deliver(context.Background(), []record.Entry{{Kind: record.KindWeighing, ID: fmt.Sprint(i), JSON: b}})
		}
	}
	if err == nil {
		err = s.Close()
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}
