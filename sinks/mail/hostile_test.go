package mail

import (
	"bufio"
	"encoding/base64"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// scripted is a server that says what a test has it say, on loopback and without TLS.
func scripted(t *testing.T, serve func(c net.Conn, in *bufio.Reader)) Config {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer c.Close()
				_ = c.SetDeadline(time.Now().Add(5 * time.Second))
				serve(c, bufio.NewReader(c))
			})
		}
	})
	t.Cleanup(func() { l.Close(); all.Wait() })
	cfg := *Default()
	cfg.Server, cfg.TLS, cfg.From, cfg.To, cfg.Timeout = l.Addr().String(), noTLS, "w@lab.example", []string{"k@lab.example"}, strict.Duration(time.Second)
	cfg.Alarms.Severity = "none"
	return cfg
}

// says answers each line by what begins as it does; "" ends the connection.
func says(answers map[string]string) func(net.Conn, *bufio.Reader) {
	return func(c net.Conn, in *bufio.Reader) {
		fmt.Fprint(c, answers["greeting"])
		for {
			line, err := in.ReadString('\n')
			if err != nil {
				return
			}
			verb, _, _ := strings.Cut(strings.TrimSpace(line), " ")
			answer, known := answers[verb]
			if !known {
				answer = "250 fine\r\n"
			}
			if answer == "" {
				return
			}
			fmt.Fprint(c, answer)
			for verb == "DATA" && strings.HasPrefix(answer, "354") {
				if line, err = in.ReadString('\n'); err != nil {
					return
				}
				if line == ".\r\n" {
					if answers["."] == "" {
						return
					}
					fmt.Fprint(c, answers["."])
					break
				}
			}
		}
	}
}

// TestEachWordOfAServer: RFC 5321 section 4.2.1, at each step of a message.
func TestEachWordOfAServer(t *testing.T) {
	good := map[string]string{"greeting": "220 here\r\n", "DATA": "354 go\r\n", ".": "250 taken\r\n", "EHLO": "250 here\r\n", "QUIT": "221 bye\r\n"}
	for _, c := range []struct{ step, answer, want string }{
		{"", "", "accepted"}, {"greeting", "554 no\r\n", "stopped"}, {"greeting", "421 later\r\n", "again"},
		{"MAIL", "451 later\r\n", "again"}, {"MAIL", "550 no\r\n", "stopped"}, {"RCPT", "450 later\r\n", "again"}, {"RCPT", "550 no\r\n", "stopped"},
		{"DATA", "421 later\r\n", "again"}, {".", "452 full\r\n", "again"}, {".", "554 no\r\n", "refused"}, {".", "", "again"}, {"MAIL", "", "again"},
		{"QUIT", "", "accepted"}, {"QUIT", "500 what\r\n", "accepted"}, {"greeting", "HTTP/1.1 400 Bad\r\n", "again"}, {".", "what\r\n", "again"},
	} {
		answers := map[string]string{}
		for k, v := range good {
			answers[k] = v
		}
		if c.step != "" {
			answers[c.step] = c.answer
		}
		n, err := openSink(t, scripted(t, says(answers)), "").Deliver(t.Context(), []record.Entry{refusedSignIn("kim")})
		if outcome(err) != c.want || (n == 1) != (c.want == "accepted") {
			t.Errorf("%s %q: %s (%v), want %s", c.step, c.answer, outcome(err), err, c.want)
		}
	}
}

// TestAServerThatNeverEnds floods, or says a byte at a time: it is left in time.
func TestAServerThatNeverEnds(t *testing.T) {
	for name, serve := range map[string]func(net.Conn, *bufio.Reader){
		"silent": func(c net.Conn, in *bufio.Reader) { _, _ = in.ReadByte() },
		"drip": func(c net.Conn, _ *bufio.Reader) {
			for {
				if _, err := c.Write([]byte("2")); err != nil {
					return
				}
				time.Sleep(20 * time.Millisecond)
			}
		},
		"endless lines": func(c net.Conn, _ *bufio.Reader) {
			for {
				if _, err := fmt.Fprint(c, "220-more\r\n"); err != nil {
					return
				}
				time.Sleep(time.Millisecond)
			}
		},
	} {
		t.Run(name, func(t *testing.T) {
			began := time.Now()
			_, err := openSink(t, scripted(t, serve), "").Deliver(t.Context(), []record.Entry{refusedSignIn("kim")})
			if took := time.Since(began); outcome(err) != "again" || took > 4*time.Second {
				t.Errorf("after %s: %v", took, err)
			}
		})
	}
}

// TestATokenIsShown: XOAUTH2 sends user=NAME, auth=Bearer TOKEN, with %x01 after each and one more (from the published description of
// the mechanism, from memory).
func TestATokenIsShown(t *testing.T) {
	var got string
	cfg := scripted(t, func(c net.Conn, in *bufio.Reader) {
		fmt.Fprint(c, "220 here\r\n")
		for {
			line, err := in.ReadString('\n')
			switch {
			case err != nil:
				return
			case strings.HasPrefix(line, "EHLO"):
				fmt.Fprint(c, "250-here\r\n250 AUTH XOAUTH2\r\n")
			case strings.HasPrefix(line, "AUTH XOAUTH2 "):
				b, _ := base64.StdEncoding.DecodeString(strings.TrimSpace(strings.TrimPrefix(line, "AUTH XOAUTH2 ")))
				got = string(b)
				fmt.Fprint(c, "535 5.7.8 no\r\n")
			default:
				fmt.Fprint(c, "250 fine\r\n")
			}
		}
	})
	t.Setenv("WEIGHPOST_TEST_MAIL", "a-token")
	ref, err := strict.SecretFrom("env:WEIGHPOST_TEST_MAIL")
	if err != nil {
		t.Fatal(err)
	}
	cfg.User, cfg.Password, cfg.Auth = "weighpost@lab.example", ref, "xoauth2"
	_, err = openSink(t, cfg, "").Deliver(t.Context(), []record.Entry{refusedSignIn("kim")})
	if outcome(err) != "stopped" || strings.Contains(err.Error(), "a-token") {
		t.Errorf("got %v", err)
	}
	if want := "user=weighpost@lab.example\x01auth=Bearer a-token\x01\x01"; got != want {
		t.Errorf("sent %q, want %q", got, want)
	}
}
