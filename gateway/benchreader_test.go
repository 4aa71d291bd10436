//go:build linux

package gateway_test

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"log"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/pprof"
	"strconv"
	"strings"
	"sync"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"golang.org/x/sys/unix"

	"weighpost/gateway"
	"weighpost/gateway/config"
)

// readerEnv makes this test program a reader of balances, for BenchmarkLine, instead of running tests.
const readerEnv = "WEIGHPOST_BENCH_READER"

// runReader runs until SIGTERM. With WEIGHPOST_BENCH_PROFILE it writes its CPU profile to that file.
func runReader(kind string) {
	ctx, stop := signal.NotifyContext(context.Background(), unix.SIGTERM)
	defer stop()
	if at := os.Getenv("WEIGHPOST_BENCH_PROFILE"); at != "" {
		f, err := os.Create(at + "." + kind)
		must(err)
		must(pprof.StartCPUProfile(f))
		defer pprof.StopCPUProfile()
	}
	if kind == "weighpost" {
		runDaemon(ctx, os.Getenv("WEIGHPOST_BENCH_CONFIG"))
		return
	}
	ports, err := strconv.Atoi(os.Getenv("WEIGHPOST_BENCH_PORTS"))
	must(err)
	runScript(ctx, filepath.Dir(os.Getenv("WEIGHPOST_BENCH_CONFIG")), os.Getenv("WEIGHPOST_BENCH_BROKER"), ports)
}

func must(err error) {
	if err != nil {
		log.Fatal(err)
	}
}

// runDaemon is what the command run does.
func runDaemon(ctx context.Context, name string) {
	text, err := os.ReadFile(name)
	must(err)
	cfg, faults := config.Load(name, text)
	if len(faults) > 0 {
		log.Fatal(faults)
	}
	g := gateway.New(cfg, gateway.Options{Hasher: littleWork()})
	must(g.Start(ctx))
	<-ctx.Done()
	limit, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	must(g.Stop(limit))
}

// runScript is the straightforward way: for each port one loop that reads a line, takes the weight out of it, appends a row
// to the balance's CSV file, syncs it, publishes at QoS 1 and waits for the acknowledgement. One connection serves all. The
// file testdata/bench/script.py does the same.
func runScript(ctx context.Context, dir, broker string, ports int) {
	client := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://" + broker).SetClientID("script"))
	wait(client.Connect())
	var all sync.WaitGroup
	for i := range ports {
		// A plain file, since the serial library panics past 1,023 descriptors, which 256 ports and their CSV files reach.
		p, err := os.OpenFile(filepath.Join(dir, fmt.Sprintf("port-%d", i+1)), os.O_RDWR|unix.O_NOCTTY, 0)
		must(err)
		out, err := os.Create(filepath.Join(dir, fmt.Sprintf("b-%d.csv", i+1)))
		must(err)
		all.Go(func() { scriptLoop(client, fmt.Sprintf("b-%d", i+1), p, out) })
	}
	<-ctx.Done() // the end of the process ends the loops
}

func scriptLoop(client paho.Client, balance string, p io.Reader, out *os.File) {
	rows := csv.NewWriter(out)
	for lines := bufio.NewScanner(p); lines.Scan(); {
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
