// Command script is the straightforward way to do weighpost's job, to compare weighpost with: for each port one loop that reads a
// line, notes the time, takes the weight out of it, appends a row to the balance's CSV file, syncs it, publishes at QoS 1 and
// waits for the acknowledgement. One connection serves all. It has no journal, no hashes, no page, and no memory of what it has
// sent. The file script.py beside it does the same in Python.
//
//	script HOST:PORT FOLDER PORTS
package main

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"log"
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
)

func main() {
	if len(os.Args) != 4 {
		log.Fatal("usage: script HOST:PORT FOLDER PORTS")
	}
	ports, err := strconv.Atoi(os.Args[3])
	must(err)
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + os.Args[1]).SetClientID("script"))
	wait(client.Connect())
	for i := range ports {
		// A plain file, since the serial library panics past 1,023 descriptors, which 256 ports and their CSV files reach.
		p, err := os.OpenFile(filepath.Join(os.Args[2], fmt.Sprintf("port-%d", i+1)), os.O_RDWR|syscall.O_NOCTTY, 0)
		must(err)
		out, err := os.Create(filepath.Join(os.Args[2], fmt.Sprintf("b-%d.csv", i+1)))
		must(err)
		go loop(client, fmt.Sprintf("b-%d", i+1), p, out)
	}
	ended := make(chan os.Signal, 1)
	signal.Notify(ended, syscall.SIGTERM)
	<-ended // the end of the process ends the loops
}

func loop(client paho.Client, balance string, port, out *os.File) {
	rows := csv.NewWriter(out)
	for lines := bufio.NewScanner(port); lines.Scan(); {
		words := strings.Fields(lines.Text())
		if len(words) < 3 {
			continue
		}
		if _, err := strconv.ParseFloat(words[1], 64); err != nil {
			continue
		}
		at := time.Now().UTC().Format(time.RFC3339Nano)
		must(rows.Write([]string{at, balance, words[1], words[2]}))
		rows.Flush()
		must(rows.Error())
		must(out.Sync())
		payload, err := json.Marshal(map[string]any{
			"balance": map[string]string{"id": balance}, "time": at,
			"value": map[string]string{"digits": words[1], "unit": words[2]},
		})
		must(err)
		wait(client.Publish("script/seed-bank/"+balance+"/weighing", 1, false, payload))
	}
}

func wait(t paho.Token) {
	t.Wait()
	must(t.Error())
}

func must(err error) {
	if err != nil {
		log.Fatal(err)
	}
}
