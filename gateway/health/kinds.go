package health

import (
	"fmt"
	"net"
)

// Codes of conditions. What a code means to a person stands in the table below, and from there in configs/conditions.md.
const (
	PortMissing = "port-missing"
	PortBusy    = "port-busy"
	PortRefused = "port-refused"
	PortLost    = "port-lost"

	UnreadFrames        = "unread-frames"
	WrongSettings       = "wrong-settings"
	NULFlood            = "nul-flood"
	NoFrameEnd          = "no-frame-end"
	MixedLineEnds       = "mixed-line-ends"
	LineBreaks          = "line-breaks"
	LateDamage          = "damage-reported-late"
	FlowStuck           = "flow-stuck"
	NoAnswer            = "no-answer"
	TapUnavailable      = "tap-unavailable"
	TapBehind           = "tap-behind"
	WrongBalance        = "wrong-balance"
	IdentityUnconfirmed = "identity-unconfirmed"
	ReadingsNotRecorded = "readings-not-recorded"
	ClockWentBack       = "clock-went-back"
	ContextRefused      = "context-refused"
	PersonDiffers       = "person-differs"
	SampleDiffers       = "sample-differs"

	RecordingStopped  = "recording-stopped"
	RecordingStuck    = "recording-stuck"
	BalanceStuck      = "balance-stuck"
	JournalUnreadable = "journal-unreadable"
	SealingFailed     = "sealing-failed"
	SpaceLow          = "space-low"
	JournalMoved      = "journal-moved"
	IndexBehind       = "index-behind"

	SinkUnreachable = "sink-unreachable"
	SinkBusy        = "sink-busy"
	SinkStopped     = "sink-stopped"
	SinkParked      = "sink-parked"
	SinkPaused      = "sink-paused"
	SinkEnded       = "sink-ended"
	SinkAlarms      = "sink-alarms-unsent"

	CheckDue        = "check-due"
	CheckOverdue    = "check-overdue"
	OutOfService    = "out-of-service"
	FailureUnjudged = "failed-check-unjudged"

	ClockUnchecked       = "clock-unchecked"
	ClockHoldover        = "clock-holdover"
	ClockNoAgreement     = "clock-no-agreement"
	ClockFalseticker     = "clock-falseticker"
	ClockServerUseless   = "clock-server-useless"
	ClockFewServers      = "clock-few-servers"
	ClockCorrected       = "clock-corrected"
	ClockDrift           = "clock-drift"
	ComputerClockOff     = "computer-clock-off"
	TimestampFailed      = "time-stamp-failed"
	BackupFailed         = "backup-failed"
	BackupOverdue        = "backup-overdue"
	BackupNotCopied      = "backup-not-copied"
	ConfigurationRefused = "configuration-refused"
	CentralRefused       = "central-settings-refused"
	CentralUnreached     = "central-settings-unreached"
	BalanceIDTaken       = "balance-id-taken"

	AccountLocked        = "account-locked"
	SignatureRefused     = "signature-refused"
	AccountReviewOverdue = "account-review-overdue"
	RightsJoined         = "rights-joined"
	RoleUnknown          = "role-unknown"
	NoAdministrator      = "no-administrator"
	SecretsMissing       = "secrets-missing"
	PeopleUnavailable    = "people-unavailable"

	PageStopped     = "page-stopped"
	TokenRefused    = "token-refused"
	NetworkGone     = "network-gone"
	SettingsPending = "settings-pending"
	RequestsFolder  = "requests-folder"

	DirectoryUnavailable = "directory-unavailable"
	ProviderUnavailable  = "provider-unavailable"

	CertificateRefused = "certificate-refused"
	CertificateEnds    = "certificate-ends"
	CertificateNames   = "certificate-names"

	// Joint kinds: made by the board of two or more conditions that name the same one. No room raises them.
	DeviceServerGone = "device-server-gone" // subject: its host
	AdapterGone      = "adapter-gone"       // subject: the place of a USB device, "1-1.2"
	DestinationGone  = "destination-gone"   // subject: host and port
	ClockSetBack     = "clock-set-back"     // subject: clock
)

// What the subjects of a kind are.
const (
	aBalance = "balance"
	aSink    = "sink"
	aServer  = "time server"
	aPerson  = "person"
)

// same stands for the subject of the condition that follows.
const same = "\x00same"

// Kind is what a code means: what a room that raises it promises to say, and what follows from what.
type Kind struct {
	Code  string
	About string // what its subjects are: balance, sink, time server; or the one subject that it has
	// Severities that it may have, the usual one first.
	Severities []Severity
	Says       string // what its sentence says
	Do         string // what its remedy says, in short

	// Quiet kinds are listed only while something comes from them: a computer that needs no network may be without.
	Quiet bool

	follows []Ref    // what it always comes from, while that holds
	names   []string // kinds that whoever raises it may name as its cause
	joint   func(subject, of string) (sentence, remedy string)
}

// Comes names the kinds that a condition of this kind may be told under.
func (k Kind) Comes() []string {
	var codes []string
	for _, r := range k.follows {
		codes = append(codes, r.Code)
	}
	return append(codes, k.names...)
}

// Joint says whether the board makes conditions of this kind out of others.
func (k Kind) Joint() bool { return k.joint != nil }

// About says what the subjects of a code are, such as balance or sink; "" for a code that is not in the table.
func About(code string) string { return kinds[code].About }

// Kinds is the table, in the order of the manual.
func Kinds() []Kind { return table }

var ofTheJournal = []Ref{{RecordingStopped, "journal"}, {RecordingStuck, "journal"}}

var ofItsPort = []Ref{{PortLost, same}, {PortMissing, same}, {PortBusy, same}, {PortRefused, same}}

var ofPorts = []string{DeviceServerGone, AdapterGone, NetworkGone}

var table = []Kind{
	{Code: RecordingStopped, About: "journal", Severities: []Severity{Error},
		Says: "Nothing is recorded, and why the journal cannot be written or may not be: no space, a disk that failed, damage that was found.",
		Do:   "Free disk space or mend the disk, or restore a backup where the journal is damaged; copy weights by hand until then."},
	{Code: RecordingStuck, About: "journal", Severities: []Severity{Error},
		Says: "Nothing is recorded: writing the journal has stood still.", Do: "See why the disk does not answer; copy weights by hand until then."},
	{Code: ReadingsNotRecorded, About: aBalance, Severities: []Severity{Error},
		Says: "The readings of one balance are not recorded, why, and how many wait.", Do: "Copy weights by hand; see what stops the journal.",
		follows: ofTheJournal},
	{Code: JournalUnreadable, About: aSink, Severities: []Severity{Error},
		Says: "The journal cannot be read for a destination.", Do: "Validate the journal and look at its disk.",
		follows: ofTheJournal},

	{Code: SpaceLow, About: "journal", Severities: []Severity{Warning, Error},
		Says: "The disk of the journal is getting full, and for about how long it lasts.", Do: "Free space, or move the journal to a larger disk.",
		follows: ofTheJournal},
	{Code: JournalMoved, About: "journal", Severities: []Severity{Notice},
		Says: "The journal was last written on another computer, and goes on here as another incarnation.",
		Do:   "If the disk was copied, let one of the two computers record; otherwise nothing is to be done."},
	{Code: IndexBehind, About: "journal", Severities: []Severity{Notice, Warning},
		Says:    "How far the search index of the journal has come, or why it cannot be kept up.",
		Do:      "Nothing while it grows: lists take longer and are complete all the same. Else see what keeps index.db from being written.",
		follows: ofTheJournal},

	{Code: SealingFailed, About: "journal", Severities: []Severity{Warning},
		Says: "Old entries could not be sealed into a segment, or the segment not be copied, and why.",
		Do:   "See to the place that it names; nothing leaves journal.db before every copy was verified.", names: []string{RecordingStopped}},

	{Code: NetworkGone, About: "computer", Quiet: true, Severities: []Severity{Warning},
		Says: "This computer has no network.", Do: "Plug in its network cable or mend its Wi-Fi; nothing that was recorded is lost."},
	{Code: DeviceServerGone, About: "device server", Severities: []Severity{Error},
		Says: "Nothing comes from several balances behind one device server.", Do: "See that it has power and network.", names: []string{NetworkGone},
		joint: func(host, of string) (string, string) {
			return fmt.Sprintf("Nothing comes from %s behind the device server %s.", of, host),
				"See that it is switched on, and that its network cable and ours are plugged in. weighpost connects again by itself."
		}},
	{Code: AdapterGone, About: "USB device", Severities: []Severity{Error},
		Says: "A USB hub or an adapter with several ports is gone.", Do: "Plug it in again, and see that it has power.",
		joint: func(place, of string) (string, string) {
			return fmt.Sprintf("A USB hub or adapter was unplugged or lost its power (USB place %s). Nothing comes from %s.", place, of),
				"Plug the hub or adapter in again, and see that it has power. weighpost goes on by itself when the ports are back."
		}},
	{Code: PortLost, About: aBalance, Severities: []Severity{Error},
		Says: "The open port of a balance went away.", Do: "Plug the adapter in again, or mend the way to the device server.", names: ofPorts},
	{Code: PortMissing, About: aBalance, Severities: []Severity{Error},
		Says: "The port of a balance is not there, or its device server does not answer.", Do: "Plug it in; compare its name with the configuration.", names: ofPorts},
	{Code: PortBusy, About: aBalance, Severities: []Severity{Error},
		Says: "Another program has the port.", Do: "Close the other program."},
	{Code: PortRefused, About: aBalance, Severities: []Severity{Error},
		Says: "The system does not let us use the port, or not with these settings.", Do: "Give the user of weighpost the serial group; correct the settings."},
	{Code: BalanceIDTaken, About: aBalance, Severities: []Severity{Error},
		Says: "A balance is not recorded: its id belongs to another balance of this journal.", Do: "Give it an id that was never used, and reload."},
	{Code: BalanceStuck, About: aBalance, Severities: []Severity{Error},
		Says: "A balance is not read: its port or its pipeline has stood still.", Do: "Pull out the adapter and plug it in again; restart weighpost.",
		follows: []Ref{{RecordingStuck, "journal"}}},
	{Code: WrongBalance, About: aBalance, Severities: []Severity{Error},
		Says: "Another balance prints in place of the configured one.", Do: "Put the cables back, or correct the configuration.",
		follows: ofItsPort},
	{Code: IdentityUnconfirmed, About: aBalance, Severities: []Severity{Warning},
		Says: "Nobody knows which balance is connected, since its port was lost.", Do: "Compare its plate; scan its label or confirm what stands on it.",
		follows: ofItsPort},
	{Code: CheckDue, About: aBalance, Severities: []Severity{Notice},
		Says: "A check of the balance with reference weights is due.", Do: "Check it, on its page or at the bench."},
	{Code: CheckOverdue, About: aBalance, Severities: []Severity{Warning},
		Says: "A check of the balance is overdue: its weighings say so.", Do: "Check it before it is used."},
	{Code: OutOfService, About: aBalance, Severities: []Severity{Error},
		Says: "The balance is out of service, and why. It can still show a weight.", Do: "Do not weigh on it. A check that passes, or somebody with the right and a reason, puts it back."},
	{Code: FailureUnjudged, About: aBalance, Severities: []Severity{Warning},
		Says: "A check failed, and what was weighed since the last good one has not been judged.", Do: "Judge those weighings, and close the failed check."},
	{Code: UnreadFrames, About: aBalance, Severities: []Severity{Warning},
		Says: "Frames in a row do not fit the layout, and why the last did not.", Do: "Compare the balance's lines with the layout; see speed and parity.",
		follows: ofItsPort},

	{Code: ContextRefused, About: aBalance, Severities: []Severity{Warning},
		Says: "A scan or another change of a balance's context was not taken, and why.", Do: "Scan or set it again before the next weighing."},
	{Code: PersonDiffers, About: aBalance, Severities: []Severity{Warning},
		Says: "A weighing has no person: two sources name different ones, or what was printed cannot be an id.", Do: "See who weighed, and correct the one that is wrong."},
	{Code: SampleDiffers, About: aBalance, Severities: []Severity{Warning},
		Says: "A weighing has no sample: two sources name different ones, or what was printed cannot be an id.", Do: "See which sample was on the pan, and correct the one that is wrong."},

	{Code: WrongSettings, About: aBalance, Severities: []Severity{Error},
		Says: "What comes from a balance looks like another speed or parity than its port is set to, and which.", Do: "Set the port to what the balance is set to.",
		follows: ofItsPort},
	{Code: NULFlood, About: aBalance, Severities: []Severity{Error},
		Says: "Nothing but NUL characters comes from a balance.", Do: "See cable and adapter, and that the balance is on.",
		follows: ofItsPort},
	{Code: NoFrameEnd, About: aBalance, Severities: []Severity{Warning},
		Says: "The end of a frame that the layout names never comes, and what comes instead.", Do: "Correct the layout's ends, or set the balance's line end.",
		follows: ofItsPort},
	{Code: MixedLineEnds, About: aBalance, Severities: []Severity{Warning},
		Says: "A balance ends its lines in several ways, of which the layout does not name all.", Do: "Name each in the layout, or set one at the balance.",
		follows: ofItsPort},
	{Code: LineBreaks, About: aBalance, Severities: []Severity{Warning},
		Says: "The line of a balance was interrupted again and again, though its frames are read.", Do: "See the cable and its plugs.",
		follows: ofItsPort},
	{Code: LateDamage, About: aBalance, Severities: []Severity{Warning},
		Says: "A device server reported a damaged byte just after a weighing was recorded, which may be wrong.", Do: "Compare that weighing with the balance, and weigh again in case of doubt.",
		follows: ofItsPort},
	{Code: FlowStuck, About: aBalance, Severities: []Severity{Warning},
		Says: "A balance does not take what is sent to it.", Do: "See that flow control is the same at balance, cable and port.",
		follows: ofItsPort},
	{Code: NoAnswer, About: aBalance, Severities: []Severity{Error},
		Says:    "A balance that is asked for its weight does not answer, how often not, and what came instead.",
		Do:      "See that it is on, set to answer, and that the cable has both ways.",
		follows: append([]Ref{{FlowStuck, same}, {WrongSettings, same}, {NULFlood, same}}, ofItsPort...)},
	{Code: TapUnavailable, About: aBalance, Severities: []Severity{Warning},
		Says: "The program that shares a balance cannot reach it, and why; the balance is read and recorded.", Do: "Mend what the sentence names."},
	{Code: TapBehind, About: aBalance, Severities: []Severity{Warning},
		Says: "The program that shares a balance does not read, and lines are left out for it; the balance is recorded.", Do: "See why the program stands still."},

	{Code: DestinationGone, About: "destination", Severities: []Severity{Warning},
		Says: "A place that several deliver to takes nothing.", Do: "See that it runs and can be reached.", names: []string{NetworkGone},
		joint: func(place, of string) (string, string) {
			return fmt.Sprintf("%s takes no entries from %s.", place, of),
				"Nothing is lost: entries wait in the journal and go out by themselves. See that the destination runs and that the network leads there."
		}},
	{Code: SinkUnreachable, About: aSink, Severities: []Severity{Warning},
		Says: "A destination does not take entries now, and why.", Do: "Mend the network or what is there; entries wait and go out by themselves.",
		names: []string{DestinationGone, NetworkGone, RecordingStopped}},
	{Code: SinkBusy, About: aSink, Severities: []Severity{Notice},
		Says: "A destination asked for time.", Do: "Nothing."},
	{Code: SinkStopped, About: aSink, Severities: []Severity{Error},
		Says: "A destination cannot be used, and why.", Do: "Mend the cause, such as a password; it is tried again now and then."},
	{Code: SinkParked, About: aSink, Severities: []Severity{Warning},
		Says: "A destination refused entries for good.", Do: "Tell whoever looks after the destination."},
	{Code: SinkPaused, About: aSink, Severities: []Severity{Notice},
		Says: "Somebody paused the deliveries to a destination: who, since when and why.", Do: "Let them go on when that is no longer needed."},
	{Code: SinkEnded, About: aSink, Severities: []Severity{Error},
		Says: "Delivery to a destination ended.", Do: "Restart weighpost."},

	{Code: SinkAlarms, About: aSink, Severities: []Severity{Warning},
		Says: "A destination cannot send messages about what is wrong, and why.", Do: "Mend the cause, such as the mail server or a password; look at the pages meanwhile."},

	{Code: ClockSetBack, About: "clock", Severities: []Severity{Warning},
		Says: "The computer's clock went back, and the stamps of several balances stand still.", Do: "See who sets the clock.",
		joint: func(_, of string) (string, string) {
			return fmt.Sprintf("The clock of this computer went back: the stamps of %s stand still until it has caught up.", of),
				"See who sets the clock of this computer. The order of the records is right; their times may be wrong."
		}},
	{Code: ClockWentBack, About: aBalance, Severities: []Severity{Warning},
		Says: "The computer's clock went back, and a balance's stamps stand still.", Do: "See who sets the clock.",
		follows: []Ref{{ClockSetBack, "clock"}}},

	{Code: ClockUnchecked, About: "clock", Severities: []Severity{Warning},
		Says: "The time of stamps was not checked since the start, and why.", Do: "Name time servers, or open UDP port 123 to them.",
		names: []string{NetworkGone}},
	{Code: ClockHoldover, About: "clock", Severities: []Severity{Warning},
		Says: "Stamps go on without an agreement of the time servers, and since when.", Do: "See that the time servers run and can be reached.",
		names: []string{NetworkGone}},
	{Code: ClockNoAgreement, About: "clock", Severities: []Severity{Warning, Notice},
		Says: "The time servers contradict each other, or are not heard; stamps are still checked.", Do: "See which server is wrong; name three or more.",
		names: []string{NetworkGone}},
	{Code: ClockFalseticker, About: aServer, Severities: []Severity{Warning},
		Says: "A time server is wrong, and by how much.", Do: "Have it mended, or name another; stamps do not use it."},
	{Code: ClockServerUseless, About: aServer, Severities: []Severity{Notice},
		Says: "A time server is silent or must not be used, while the others agree.", Do: "Have it mended, or name another."},
	{Code: ClockFewServers, About: "clock", Severities: []Severity{Notice},
		Says: "Fewer than three time servers are configured.", Do: "Name three or more of different origin."},
	{Code: ClockCorrected, About: "clock", Severities: []Severity{Warning},
		Says: "Stamps were wrong by more than they said, and were corrected.", Do: "Judge the weighings before; see the entry clock-changed."},
	{Code: ClockDrift, About: "clock", Severities: []Severity{Warning},
		Says: "The computer's raw clock drifts more than declared.", Do: "Declare more drift."},
	{Code: ComputerClockOff, About: "clock", Severities: []Severity{Notice},
		Says: "The computer's own clock is wrong; stamps are not.", Do: "Have a time daemon set it."},

	{Code: TimestampFailed, About: "journal", Severities: []Severity{Warning},
		Says: "No outside time-stamp could be had for the journal, and why; recording goes on.", Do: "Mend what the sentence names; it is tried again by itself.",
		names: []string{NetworkGone}},

	{Code: BackupFailed, About: "backup", Severities: []Severity{Warning},
		Says: "No backup could be made, or the newest one did not verify, and why.", Do: "Mend what the sentence names; it is tried again by itself."},
	{Code: BackupOverdue, About: "backup", Severities: []Severity{Warning},
		Says: "The newest backup is older than it should be, or there is none.", Do: "See why none was made; make one: weighpost backup create.",
		names: []string{BackupFailed, BackupNotCopied}},
	{Code: BackupNotCopied, About: "place of backups", Severities: []Severity{Warning},
		Says: "A backup was made and could not be copied to, listed in or removed from one place, and why.", Do: "Mend that place; the next backup goes there again."},
	{Code: ConfigurationRefused, About: "configuration", Severities: []Severity{Warning},
		Says: "The configuration was not taken, and why; the one before holds.", Do: "Mend what the sentence names, and reload."},
	{Code: CentralRefused, About: "central settings", Severities: []Severity{Warning},
		Says: "A file of central settings was not taken, and why; what was taken before holds.", Do: "Whoever signs them mends what the sentence names, and signs anew with a higher serial number."},
	{Code: CentralUnreached, About: "central settings", Severities: []Severity{Notice},
		Says: "The central settings cannot be had, and why; what was taken before holds.", Do: "Mend what the sentence names; it is tried again by itself.",
		names: []string{NetworkGone}},
	{Code: AccountLocked, About: aPerson, Severities: []Severity{Warning},
		Says: "Attempts to sign in have locked an account or a PIN, and until when.", Do: "Ask the person whether it was them; see the entries sign-in-refused; unlock it."},
	{Code: SignatureRefused, About: aPerson, Severities: []Severity{Warning},
		Says: "Somebody tried to sign and did not show who they are: how often, when, under which run, and why.", Do: "Ask the person whether it was them; see the entries signature-refused; otherwise end their sessions and have the secret changed."},
	{Code: AccountReviewOverdue, About: "people", Severities: []Severity{Warning},
		Says: "Accounts and rights should have been looked over, and by when.", Do: "Look through them, and note what was found: weighpost people review."},
	{Code: RightsJoined, About: aPerson, Severities: []Severity{Warning},
		Says: "One person may both review the trail and change people or settings.", Do: "Give one of the two to somebody else, or keep the reason at hand."},
	{Code: RoleUnknown, About: "person or key", Severities: []Severity{Warning},
		Says: "Somebody has a role that the configuration no longer names, and nothing from it.", Do: "Name the role again, or give them another."},
	{Code: NoAdministrator, About: "people", Severities: []Severity{Notice},
		Says: "Nobody looks after accounts, and where the one-time token for the first waits.", Do: "Use the token, or add somebody on the computer of the journal: weighpost people add."},
	{Code: PeopleUnavailable, About: "people", Severities: []Severity{Error},
		Says: "Accounts cannot be read, so that nobody can sign in, and why.", Do: "Mend what the sentence names, and restart. Recording and delivery go on."},
	{Code: SecretsMissing, About: "people", Severities: []Severity{Warning},
		Says: "The file with the hashes of secrets lacks those of people who had one, as after a restore without it.", Do: "Put the file back, or reset each secret."},
	{Code: SettingsPending, About: "configuration", Severities: []Severity{Warning},
		Says: "A change of settings waits for a person, or was turned down and is still in the file, and what it is.", Do: "Adopt it or turn it down, with a reason; weighpost runs as before."},
	{Code: RequestsFolder, About: "requests", Severities: []Severity{Warning},
		Says: "Files with requests are not taken from their folder, or cannot be answered there, and why.", Do: "Mend what the sentence names; it goes on by itself, and nothing is carried out twice."},
	{Code: TokenRefused, About: "page", Severities: []Severity{Warning},
		Says: "The token file cannot be used, so that no program can change anything over HTTP.", Do: "Delete it or take away what others may do with it, and restart."},
	{Code: DirectoryUnavailable, About: "directory", Severities: []Severity{Warning},
		Says: "The directory that judges people's secrets could not be asked, and why.", Do: "Mend what the sentence names: weighpost directory test. Local people can sign in meanwhile.",
		names: []string{NetworkGone}},
	{Code: ProviderUnavailable, About: "provider", Severities: []Severity{Warning},
		Says: "Nobody can sign in at the OpenID provider, and why.", Do: "Mend what the sentence names; it is asked again by itself. Local people can sign in meanwhile.",
		names: []string{NetworkGone}},
	{Code: CertificateRefused, About: "page", Severities: []Severity{Warning, Error},
		Says: "The certificate of the page cannot be used or made, and why; the one before goes on, or the page cannot be opened.",
		Do:   "Put a certificate and the key that belongs to it into the files; they are taken within seconds."},
	{Code: CertificateEnds, About: "page", Severities: []Severity{Warning, Error},
		Says: "The certificate of the page runs out soon, or is over.", Do: "Have it renewed; see that the computer's date is right.",
		names: []string{CertificateRefused}},
	{Code: CertificateNames, About: "page", Severities: []Severity{Warning},
		Says: "The certificate of the page does not stand for a name that the page answers to.", Do: "Have one made that names it, or take the name away."},
	{Code: PageStopped, About: "page", Severities: []Severity{Error},
		Says: "The page is gone.", Do: "Restart weighpost. Recording and delivery go on."},
}

var kinds = func() map[string]Kind {
	m := make(map[string]Kind, len(table))
	for _, k := range table {
		m[k.Code] = k
	}
	return m
}()

// Network is the condition that this computer has no network.
var Network = Ref{NetworkGone, "computer"}

// Through is what trouble with a host may come from: the network of this computer, unless the host is this computer.
func Through(host string) []Ref {
	if ip := net.ParseIP(host); host == "" || host == "localhost" || ip != nil && ip.IsLoopback() {
		return nil
	}
	return []Ref{Network}
}
