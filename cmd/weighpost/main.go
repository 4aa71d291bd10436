// Command weighpost puts laboratory balances that have only an RS-232 port on the network. Each command has a file of its
// own: it parses, calls and prints, and leaves the work to the rooms below.
//
// Exit status: 0 done, 1 failed (why, in one line on standard error), 2 wrong usage.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"
)

// commands is the command line. DESIGN section 8 has the whole list; only what works is offered.
type commands struct {
	Demo          demoCommand          `cmd:"" help:"Show a small simulated lab: balances, a broker, the page; nothing to set up."`
	Run           runCommand           `cmd:"" help:"Run the daemon."`
	Ports         portsCommand         `cmd:"" help:"List the serial ports of this computer, by the names that stay."`
	Watch         watchCommand         `cmd:"" help:"Show what happens, live: at the running daemon, or straight at a port."`
	AddBalance    addBalanceCommand    `cmd:"" help:"Add a balance to the configuration, step by step: port, settings, layout, test."`
	Service       serviceCommand       `cmd:"" help:"Install, remove, start, stop weighpost as a service of this system, or see how it is."`
	Settings      settingsCommand      `cmd:"" help:"Find out speed, parity and framing of a balance by listening."`
	Learn         learnCommand         `cmd:"" help:"Work out the layout from sample lines; asks what it cannot know."`
	Checks        checksCommand        `cmd:"" help:"Check balances, see whether they are fit to weigh, and judge what failed checks throw doubt on."`
	Weights       weightsCommand       `cmd:"" help:"See and keep the register of reference weights."`
	Procedures    proceduresCommand    `cmd:"" help:"See procedures, write versions of them, and adopt, turn down or withdraw them."`
	Runs          runsCommand          `cmd:"" help:"See runs of procedures."`
	Reviews       reviewsCommand       `cmd:"" help:"Review runs: submit, return, correct, approve with a signature, archive them."`
	Statistics    statisticsCommand    `cmd:"" help:"Work over the results of runs: count, mean, spread, share outside limits."`
	Containers    containersCommand    `cmd:"" help:"See and keep the register of containers that samples are weighed in."`
	Slips         slipsCommand         `cmd:"" help:"See slips that were typed in, and decide on them as a second person."`
	Reports       reportsCommand       `cmd:"" help:"Write reports on paper, issue them, and see those that were issued."`
	Requests      requestsCommand      `cmd:"" help:"See what lab systems ask for; send, change and cancel it."`
	Read          readCommand          `cmd:"" help:"Turn frames into readings, one JSON object a line."`
	Validate      validateCommand      `cmd:"" help:"Find every mistake in a file that you wrote."`
	Journal       journalCommand       `cmd:"" help:"Verify a journal, or list what is in it."`
	Backup        backupCommand        `cmd:"" help:"Make, list and verify backups of the journal, or restore it from one."`
	Deliveries    deliveriesCommand    `cmd:"" help:"See whether everything is delivered, and decide about what was refused."`
	Archive       archiveCommand       `cmd:"" help:"Keep, verify and co-sign what many gateways publish; see how each of them is."`
	Directory     directoryCommand     `cmd:"" help:"Try out the directory that judges people's secrets."`
	Configuration configurationCommand `cmd:"" help:"Show the settings that hold, adopt or turn down a change that waits, and sign settings for many sites."`
	People        peopleCommand        `cmd:"" help:"Add, list and change people's accounts, and see who may do what."`
	Keys          keysCommand          `cmd:"" help:"Make, list and revoke keys for programs."`
	Qualify       qualifyCommand       `cmd:"" help:"Try out this installation, and write a signed report for the qualification file."`
	Support       supportCommand       `cmd:"" help:"Pack what somebody who helps needs to see into one file, without secrets."`
	Help          helpCommand          `cmd:"" help:"Print a page of the manual."`
	Certificate   certificateCommand   `cmd:"" help:"Show the certificate that the page has: fingerprint, names, until when."`
	Completion    completionCommand    `cmd:"" help:"Print the script by which a shell completes this command line."`
	ManPages      manPagesCommand      `cmd:"" hidden:"" help:"Write the pages for man, as packages have them."`
	Version       versionCommand       `cmd:"" help:"Print the version, and the commit that the program was built from."`
}

// streams is what a command may touch of the terminal, so that a test can stand in for it.
type streams struct {
	in       io.Reader
	out, err io.Writer
}

// errQuiet ends the program with status 1 where the command has already said why.
var errQuiet = errors.New("failed")

const statusFailed, statusUsage = 1, 2

func main() { os.Exit(run(os.Args[1:], streams{os.Stdin, os.Stdout, os.Stderr})) }

func run(args []string, s streams) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()

	status, exited := 0, false
	parser, err := newParser(s, func(code int) { status, exited = code, true },
		kong.Bind(s), kong.BindTo(ctx, (*context.Context)(nil)))
	if err != nil {
		fmt.Fprintln(s.err, "weighpost:", err)
		return statusFailed
	}
	call, err := parser.Parse(args)
	if exited {
		return status
	}
	if err != nil {
		fmt.Fprintln(s.err, "weighpost:", err)
		fmt.Fprintln(s.err, "Try: weighpost --help")
		return statusUsage
	}
	if err := call.Run(); err != nil {
		if !errors.Is(err, errQuiet) {
			fmt.Fprintln(s.err, "weighpost:", sentence(err))
		}
		return statusFailed
	}
	return 0
}

// sentence puts an error onto one line, and adds what to do where only the system's words for it are known.
func sentence(err error) string {
	text := strings.ReplaceAll(strings.TrimSpace(err.Error()), "\n", "; ")
	if errors.Is(err, syscall.EMFILE) {
		text += ". Allow weighpost more open files (LimitNOFILE in its unit, ulimit -n in a shell): 64, 4 more for each balance, and one for each page that somebody has open"
	}
	return text
}

// newParser makes the parser of the command line. Help ends by calling exit.
func newParser(s streams, exit func(int), more ...kong.Option) (*kong.Kong, error) {
	parser, err := kong.New(&commands{}, append(more,
		kong.Name("weighpost"),
		kong.Description("Weighings, posted: puts balances that have only an RS-232 port on the network."),
		kong.Writers(s.out, s.err),
		kong.Exit(exit),
	)...)
	if err == nil {
		showExamples(parser.Model.Node)
	}
	return parser, err
}
