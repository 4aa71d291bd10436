package qualify

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// startTime is how long a scratch daemon may take to answer.
const startTime = 30 * time.Second

// scratchDaemon is this very program, run by a configuration of its own in the scratch folder, with one balance that we are ourselves.
type scratchDaemon struct {
	folder  string // of configuration and journal
	program string
	cmd     *exec.Cmd
	said    bytes.Buffer // on standard error
	url     string
	token   string
	client  *http.Client
	ended   chan struct{} // closed when the process is gone
}

// scratchLayout is that of the balance that we are: ten places of digits, a unit, and a line end.
const scratchLayout = "frame: {ends: [\"\\r\\n\"]}\nline_length: 12\nline: \"{weight 10} {unit 1}\"\n"

// newScratchDaemon writes the configuration. balance is the address at which we are the balance.
func newScratchDaemon(program, folder, site, balance string) (*scratchDaemon, error) {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, err
	}
	text := fmt.Sprintf("site: %s\njournal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}\npage: {listen: \"127.0.0.1:0\"}\n"+
		"balances:\n- {id: scratch, port: {address: \"tcp://%s\"}, layout: layout.yaml}\n", site, balance)
	d := &scratchDaemon{folder: folder, program: program, client: &http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{MaxIdleConnsPerHost: 16}}}
	return d, errors.Join(os.WriteFile(filepath.Join(folder, "layout.yaml"), []byte(scratchLayout), 0o600),
		os.WriteFile(filepath.Join(folder, "weighpost.yaml"), []byte(text), 0o600))
}

func (d *scratchDaemon) journal() string { return filepath.Join(d.folder, "journal") }

// start runs it until kill, and waits until its page answers.
func (d *scratchDaemon) start(ctx context.Context) error {
	d.said.Reset()
	d.cmd = exec.CommandContext(ctx, d.program, "run", "--config", filepath.Join(d.folder, "weighpost.yaml"))
	d.cmd.Stderr = &d.said
	out, err := d.cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := d.cmd.Start(); err != nil {
		return err
	}
	first := make(chan string, 1)
	d.ended = make(chan struct{})
	go func() {
		defer close(d.ended)
		lines := bufio.NewReader(out)
		line, _ := lines.ReadString('\n')
		first <- line
		_, _ = io.Copy(io.Discard, lines)
		_ = d.cmd.Wait() // it is killed, which is no fault here
	}()
	limit := time.NewTimer(startTime)
	defer limit.Stop()
	select {
	case line := <-first:
		_, url, found := strings.Cut(strings.TrimSpace(line), "page: ")
		if !found {
			d.kill()
			return fmt.Errorf("it did not begin: %s", strings.TrimSpace(d.said.String()))
		}
		d.url = strings.TrimSuffix(url, "/")
	case <-limit.C:
		d.kill()
		return fmt.Errorf("it does not answer after %s", startTime)
	case <-ctx.Done():
		d.kill()
		return ctx.Err()
	}
	token, err := os.ReadFile(filepath.Join(d.journal(), "api.token"))
	if err != nil {
		d.kill()
		return err
	}
	d.token = strings.TrimSpace(string(token))
	return nil
}

// kill ends it as nothing else does, at once (SIGKILL), and waits until it is gone.
func (d *scratchDaemon) kill() {
	_ = d.cmd.Process.Kill() // it may be gone already
	<-d.ended
	d.client.CloseIdleConnections()
}

// ask sends a request with the host's token. It gives false where no answer came: the daemon may be gone.
func (d *scratchDaemon) ask(ctx context.Context, method, path string, body []byte, answer any) bool {
	req, err := http.NewRequestWithContext(ctx, method, d.url+path, bytes.NewReader(body))
	if err != nil {
		return false
	}
	req.Header.Set("Authorization", "Bearer "+d.token)
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	resp, err := d.client.Do(req)
	if err != nil {
		return false
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	if err != nil || resp.StatusCode != http.StatusOK {
		return false
	}
	return answer == nil || json.Unmarshal(text, answer) == nil
}

// printer is a balance that prints a line every few milliseconds to whoever is connected.
type printer struct {
	net.Listener
	ended sync.WaitGroup
}

const printEvery = 5 * time.Millisecond

func newPrinter() (*printer, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	p := &printer{Listener: l}
	p.ended.Go(func() {
		for n := 0; ; {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			for err == nil {
				n++
				_, err = fmt.Fprintf(conn, "%6d.%03d g\r\n", n/1000, n%1000)
				time.Sleep(printEvery)
			}
			_ = conn.Close()
		}
	})
	return p, nil
}

// end closes the line of the balance. A connection ends with the daemon at its other end.
func (p *printer) end() {
	_ = p.Close()
	p.ended.Wait()
}
