//go:build linux

package gateway_test

import (
	"context"
	"log"
	"os"
	"os/signal"
	"runtime/pprof"
	"time"

	"golang.org/x/sys/unix"

	"weighpost/gateway"
	"weighpost/gateway/config"
)

// readerEnv makes this test program a daemon with the configuration that it names, for benchmarks, instead of running tests.
const readerEnv = "WEIGHPOST_BENCH_READER"

// runReader runs until SIGTERM. With WEIGHPOST_BENCH_PROFILE it writes its CPU profile to that file.
func runReader(config string) {
	ctx, stop := signal.NotifyContext(context.Background(), unix.SIGTERM)
	defer stop()
	if at := os.Getenv("WEIGHPOST_BENCH_PROFILE"); at != "" {
		f, err := os.Create(at)
		must(err)
		must(pprof.StartCPUProfile(f))
		defer pprof.StopCPUProfile()
	}
	runDaemon(ctx, config)
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
