package screens

import (
	"net/url"
	"slices"
	"strings"

	"weighpost/gateway/health"
	"weighpost/gateway/rights"
)

// way is something that a person can do about a condition from a page, beside its sentence and its remedy: go where it is done, or
// have it done at once. {subject} in its addresses stands for what the condition is about, which of a balance's scanner is the balance.
type way struct {
	label string
	to    string       // a page; "" where send is set
	send  string       // what the button asks the API, as data-send of a form
	done  string       // what the page says once it is done
	right rights.Right // that send, or the page, needs. At a balance it is looked for at that balance
}

// Ways that several codes share.
var (
	seeBalance  = way{label: "To the balance", to: "/balances/{subject}", right: rights.See}
	toFitness   = way{label: "To its checks", to: "/balances/{subject}/fitness", right: rights.See}
	tryPort     = way{label: "Try the port now", send: "POST /api/v1/balances/{subject}/port/try", done: "The port is open.", right: rights.Weigh}
	setBalance  = way{label: "Change its settings", to: "/settings/balances/{subject}", right: rights.Balances}
	atBench     = way{label: "To its bench screen", to: "/bench/{subject}", right: rights.Weigh}
	seeWeighed  = way{label: "What it weighed", to: "/weighed?balance={subject}", right: rights.ReadJournal}
	seeSink     = way{label: "To its deliveries", to: "/delivered/{subject}", right: rights.See}
	trySink     = way{label: "Try the destination now", send: "POST /api/v1/deliveries/{subject}/try-now", done: "It is being tried.", right: rights.Deliveries}
	setSink     = way{label: "Change its settings", to: "/settings/sinks/{subject}", right: rights.Sinks}
	seeClock    = way{label: "To the time servers", to: "/clock", right: rights.See}
	setClock    = way{label: "Change the time servers", to: "/settings/clock", right: rights.Settings}
	seeBackups  = way{label: "To the backups", to: "/backups", right: rights.ReadJournal}
	setBackup   = way{label: "Change where backups go", to: "/settings/backup", right: rights.Settings}
	seeHappened = way{label: "What happened", to: "/happened", right: rights.ReadJournal}
	seePerson   = way{label: "To the account", to: "/people/{subject}", right: rights.ReadPeople}
	seePeople   = way{label: "To the people", to: "/people", right: rights.ReadPeople}
	setPeople   = way{label: "Change how people sign in", to: "/settings/people", right: rights.Settings}
	setPage     = way{label: "Change the page's settings", to: "/settings/page", right: rights.Settings}
	setJournal  = way{label: "Change the journal's settings", to: "/settings/journal", right: rights.Settings}
	setRequests = way{label: "Change where requests come from", to: "/settings/requests", right: rights.Settings}
	seeWaiting  = way{label: "To the change that waits", to: "/settings/waiting", right: rights.ReadSettings}
	seeRoles    = way{label: "To the roles", to: "/people/roles", right: rights.ReadPeople}
)

func reads(topic, label string) way {
	return way{label: label, to: "/manual/" + topic, right: "everybody"}
}

// remedies has a row for every code. A row without a way is of what no page can help with: its remedy says what to do elsewhere.
var remedies = map[string][]way{
	health.RecordingStopped:    {reads("damage", "What to do about damage"), seeBackups},
	health.RecordingStuck:      {reads("damage", "What to do about damage")},
	health.ReadingsNotRecorded: {seeBalance},
	health.JournalUnreadable:   {seeSink, reads("damage", "What to do about damage")},
	health.SpaceLow:            {setJournal, reads("retention", "How old entries are moved")},
	health.JournalMoved:        {seeHappened},
	health.IndexBehind:         {},
	health.SealingFailed:       {setJournal, reads("retention", "How old entries are moved")},

	health.NetworkGone:         {},
	health.DeviceServerGone:    {},
	health.AdapterGone:         {},
	health.PortLost:            {tryPort, seeBalance},
	health.PortMissing:         {tryPort, setBalance, seeBalance},
	health.PortBusy:            {tryPort, seeBalance},
	health.PortRefused:         {tryPort, setBalance, seeBalance},
	health.BalanceIDTaken:      {setBalance},
	health.BalanceStuck:        {seeBalance},
	health.WrongBalance:        {setBalance, seeBalance},
	health.IdentityUnconfirmed: {atBench, seeBalance},
	health.CheckDue:            {toFitness},
	health.CheckOverdue:        {toFitness},
	health.OutOfService:        {toFitness},
	health.FailureUnjudged:     {toFitness},
	health.UnreadFrames:        {{label: "See the bytes", to: "/balances/{subject}#unread", right: rights.See}, setBalance},
	health.ContextRefused:      {atBench, seeBalance},
	health.PersonDiffers:       {seeWeighed, atBench},
	health.SampleDiffers:       {seeWeighed, atBench},
	health.WrongSettings:       {setBalance, {label: "See the bytes", to: "/balances/{subject}#unread", right: rights.See}},
	health.NULFlood:            {seeBalance},
	health.NoFrameEnd:          {setBalance, seeBalance},
	health.MixedLineEnds:       {setBalance, seeBalance},
	health.LineBreaks:          {seeBalance},
	health.LateDamage:          {seeWeighed, seeBalance},
	health.FlowStuck:           {setBalance, seeBalance},
	health.NoAnswer:            {setBalance, seeBalance},
	health.TapUnavailable:      {setBalance, seeBalance},
	health.TapBehind:           {seeBalance},

	health.DestinationGone: {{label: "To the deliveries", to: "/delivered", right: rights.See}},
	health.SinkUnreachable: {trySink, seeSink, setSink},
	health.SinkBusy:        {trySink, seeSink},
	health.SinkStopped:     {trySink, setSink, seeSink},
	health.SinkParked:      {{label: "To what is parked", to: "/delivered/{subject}", right: rights.See}},
	health.SinkEnded:       {seeSink},
	health.SinkAlarms:      {setSink, seeSink},
	health.SinkPaused:      {seeSink},

	health.ClockSetBack:       {seeClock, reads("time", "How stamps are made")},
	health.ClockWentBack:      {seeClock, reads("time", "How stamps are made")},
	health.ClockUnchecked:     {seeClock, setClock},
	health.ClockHoldover:      {seeClock},
	health.ClockNoAgreement:   {seeClock, setClock},
	health.ClockFalseticker:   {seeClock, setClock},
	health.ClockServerUseless: {seeClock, setClock},
	health.ClockFewServers:    {setClock, seeClock},
	health.ClockCorrected:     {seeHappened, seeClock},
	health.ClockDrift:         {setClock, seeClock},
	health.ComputerClockOff:   {seeClock},
	health.TimestampFailed:    {setJournal},

	health.BackupFailed:         {seeBackups, setBackup},
	health.BackupOverdue:        {{label: "Make one now", to: "/backups", right: rights.Backup}, seeBackups},
	health.BackupNotCopied:      {seeBackups, setBackup},
	health.ConfigurationRefused: {{label: "To the settings", to: "/settings", right: rights.ReadSettings}},
	health.CentralRefused:       {{label: "To the settings", to: "/settings", right: rights.ReadSettings}, reads("central-settings", "How central settings are signed")},
	health.CentralUnreached:     {reads("central-settings", "How central settings are pulled")},

	health.AccountLocked:        {seePerson},
	health.SignatureRefused:     {seePerson, seeHappened},
	health.AccountReviewOverdue: {{label: "To the reviews of accounts", to: "/people/reviews", right: rights.ReadPeople}},
	health.RightsJoined:         {seePerson, seeRoles},
	health.RoleUnknown:          {seePeople, seeRoles},
	health.NoAdministrator:      {{label: "Make the first account", to: "/sign-in", right: "everybody"}, reads("people", "How accounts begin")},
	health.SecretsMissing:       {seePeople, reads("backup", "What a restore brings back")},
	health.PeopleUnavailable:    {reads("people", "How accounts work")},
	health.DirectoryUnavailable: {setPeople, reads("directory", "How a directory is asked")},
	health.ProviderUnavailable:  {setPeople, reads("directory", "How a provider is asked")},

	health.SettingsPending:    {seeWaiting},
	health.RequestsFolder:     {setRequests},
	health.PageStopped:        {},
	health.TokenRefused:       {setPage},
	health.CertificateRefused: {setPage, reads("network", "How the page is reached")},
	health.CertificateEnds:    {setPage, reads("network", "How the page is reached")},
	health.CertificateNames:   {setPage, reads("network", "How the page is reached")},
}

// Act is a way as a page shows it: a link, or a button.
type Act struct {
	Label, To, Send, Done string
}

// acts are the ways about a condition that whoever looks may go.
func (s *Screens) acts(w who, c *health.Condition) (list []Act) {
	subject := s.about(c)
	for _, way := range remedies[c.Code] {
		if strings.Contains(way.to+way.send, "{subject}") && subject == "" || !mayGo(w, way.right, subject) {
			continue
		}
		list = append(list, Act{way.label, named(way.to, subject), named(way.send, subject), way.done})
	}
	return list
}

// elsewhere are the acts that do not lead to the page where they are shown.
func elsewhere(list []Act, here string) []Act {
	return slices.DeleteFunc(list, func(a Act) bool { return a.To == here })
}

func mayGo(w who, right rights.Right, subject string) bool {
	switch right {
	case "everybody":
		return true
	case rights.Weigh, rights.Balances:
		return w.MayAt(right, subject) == nil
	}
	return w.May(right) == nil
}

// named puts an id into an address.
func named(address, subject string) string {
	escaped := url.PathEscape(subject)
	if strings.Contains(address, "?") {
		escaped = url.QueryEscape(subject)
	}
	return strings.ReplaceAll(address, "{subject}", escaped)
}

// about is the id that stands for {subject}: the balance, where a condition is about its scanner; "" where there is no balance or
// sink of that name any more.
func (s *Screens) about(c *health.Condition) string {
	switch kindOf(c.Code).About {
	case "balance":
		for _, b := range s.deps.Source.Balances() {
			if c.Subject == b.ID || c.Subject == b.ID+"-scanner" {
				return b.ID
			}
		}
		return ""
	case "sink":
		for _, k := range s.deps.Source.Sinks() {
			if c.Subject == k.ID {
				return k.ID
			}
		}
		return ""
	}
	return c.Subject
}

var kindsByCode = func() map[string]health.Kind {
	m := map[string]health.Kind{}
	for _, k := range health.Kinds() {
		m[k.Code] = k
	}
	return m
}()

func kindOf(code string) health.Kind { return kindsByCode[code] }
