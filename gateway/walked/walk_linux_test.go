package walked

import (
	"encoding/hex"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

const (
	adasSecret = "five barley sheaves by the well"
	bosSecret  = "nine oat sacks beside the barn"
)

// walk is one person after another at one browser, before one daemon with one balance.
type walk struct {
	*seat
	lab     *lab
	balance *balance
	signIns int // how often somebody signed in, as the journal has to have it
	weighed int // likewise what was recorded
}

// TestWhatAPersonDoesInABrowser goes the whole way once: the first account, a balance that nobody knew, a second person, weighing by the
// keyboard alone, a full disk, a cable that is pulled, and finding, proving and taking away what was weighed.
func TestWhatAPersonDoesInABrowser(t *testing.T) {
	l := startLab(t, needs.SmallDisk(t, "size=24m"), "", "balances: []\nchecks: [{name: daily, measures: accuracy, questions: [\"Does the balance stand level?\"], loads: [20 g], tolerance: {mass: 5 mg}}]\n")
	w := &walk{lab: l, balance: newBalance(t)}
	w.seat = sitDown(t, l.PageURL())
	for _, step := range []struct {
		name string
		do   func(*walk)
	}{
		{"the first account", (*walk).firstAccount}, {"signing in", (*walk).signsInAsAda}, {"a balance that nobody knows", (*walk).addsABalance},
		{"what scans mean", (*walk).saysWhatScansMean},
		{"a second person", (*walk).addsAPerson}, {"weighing", (*walk).weighs}, {"a full disk", (*walk).diskFull}, {"a port that is down", (*walk).portDown},
		{"searching", (*walk).searches}, {"proving", (*walk).proves}, {"exporting", (*walk).exports}, {"a check that fails", (*walk).checks}, {"a slip, and crucibles", (*walk).slips}, {"signing out", (*walk).leaves},
	} {
		began := time.Now()
		step.do(w)
		t.Logf("%s: %.1f s", step.name, time.Since(began).Seconds())
	}
}

// firstAccount follows the overview, which says that nobody looks after accounts, to where the first account is made.
func (w *walk) firstAccount() {
	w.Visit("/")
	w.Shows("main", "No balance is configured yet", "Make the first account")
	w.Click(`.empty a[href="/sign-in?to=/add"]`)
	w.Shows("#set-up", "one-time token", "set-up.token")
	for _, field := range [][2]string{{"#token", "not-the-token"}, {"#id", "ada"}, {"#full", "Ada Quill"}, {"#first", adasSecret}} {
		w.Fill(field[0], field[1])
	}
	w.Click("#set-up button[type=submit]")
	w.Shows(".told", "The first account was not made")
	if n := len(w.lab.entries(record.KindPersonChanged)); n != 0 {
		w.T.Errorf("a wrong token left %d changes of accounts", n)
	}
	w.Fill("#token", w.lab.token("set-up.token"))
	w.Click("#set-up button[type=submit]")
	w.At("/add") // what is to be done next
	w.Shows(".signed", "Ada Quill", "Sign out")
	w.lab.has(1, record.KindPersonChanged, `"Ada Quill"`)
	w.signIns++
	w.lab.has(w.signIns, record.KindSignedIn, `"ada"`)
	if _, err := os.Stat(filepath.Join(w.lab.folder, "set-up.token")); !os.IsNotExist(err) {
		w.T.Errorf("the one-time token is still there: %v", err)
	}
}

func (w *walk) signsInAsAda() {
	w.signsOut()
	w.signsIn("ada", adasSecret, "Ada Quill")
}

func (w *walk) signsOut() {
	w.T.Helper()
	outs := len(w.lab.entries(record.KindSignedOut))
	w.Click("#sign-out")
	w.Shows(".signed", "Sign in")
	w.lab.has(outs+1, record.KindSignedOut)
}

// signsIn signs in with the keyboard, from where the page says "Sign in".
func (w *walk) signsIn(login, secret, name string) {
	w.T.Helper()
	w.Visit("/sign-in")
	w.Until(`document.querySelector("#sign-in button")?.disabled`, "false")
	w.Ready("#login")
	w.Keys(login + tab)
	w.Ready("#secret")
	w.Enters(secret)
	w.Shows("body", name)
	w.signIns++
	w.lab.has(w.signIns, record.KindSignedIn, strconv.Quote(login))
}

// addsABalance goes the guided path from the overview. The balance is behind a device server, and nothing is known of it.
func (w *walk) addsABalance() {
	w.Visit("/")
	w.Click(`.empty a[href="/add"]`)
	w.At("/add")
	w.Click("#begin button")
	w.asked("Which port is the balance plugged in to?")
	w.chooses("another: a device server")
	w.asked("The address of the port")
	w.Enters("tcp://" + w.balance.address)
	w.asked("Print several different loads")
	for i := range 12 {
		w.balance.sends(printed(123450 + i*10007))
		time.Sleep(60 * time.Millisecond) // as a balance pauses
	}
	w.Shows("#bytes", "12.3450 g", "4E 20 20 20", "23.3527 g")
	w.chooses("That is enough")
	w.learns()
	for _, text := range []string{"b-7", "0047-112", "Germination room", "220 g", ""} {
		was := w.Says(`document.getElementById("answer")?.dataset.number`)
		w.Ready("#text")
		w.Enters(text)
		w.Until(`document.getElementById("question") !== null && document.getElementById("answer")?.dataset.number !== `+strconv.Quote(was), "true")
	}
	w.asked("What is recorded?")
	w.chooses("each line")
	w.asked("Put a load on")
	w.balance.sends(printed(323590))
	w.asked("Is that what the display shows")
	w.Shows("#reading", "32.3590 g")
	w.chooses("yes, all of it")
	w.asked("Save this balance?")
	w.Shows("#summary", "id: b-7")
	if n := len(w.lab.Balances()); n != 0 {
		w.T.Errorf("before anybody agreed there are %d balances", n)
	}
	w.Fill("#reason", "a balance for the germination room")
	w.Keys(enter)
	w.asked("Balance b-7 is added")
	list := w.lab.entries(record.KindConfigured)
	if last := string(list[len(list)-1].JSON); !strings.Contains(last, "a balance for the germination room") || !strings.Contains(last, `"ada"`) {
		w.T.Errorf("the journal says of the change %s", last)
	}
	w.portUp()
	w.prints(123450)
	w.Visit("/balances/b-7")
	w.Shows("main", "12.3450", "Germination room", "0047-112")
}

// saysWhatScansMean adds a rule for scans in the form of the balance: the difference is shown, then it is saved with a reason.
func (w *walk) saysWhatScansMean() {
	changes := len(w.lab.entries(record.KindConfigured))
	w.Visit("/settings/balances/b-7")
	w.Click(`details[data-group="scanner"] > summary`)
	w.Click(`details[data-group="scanner"] fieldset[data-items="rules"] > [data-add]`)
	rule := `details[data-group="scanner"] fieldset[data-items="rules"] > .list `
	w.Fill(rule+`[data-leaf="prefix"]`, "LOT-")
	w.Fill(rule+`[data-leaf="item"]`, "sample")
	w.Fill(rule+`[data-leaf="uses"]`, "-1")
	w.Fill("#reason", "lots are scanned here")
	w.Keys(enter)
	w.Shows("#outcome", "LOT-", "sample")
	if n := len(w.lab.entries(record.KindConfigured)); n != changes {
		w.T.Errorf("looking at the difference left %d changes", n-changes)
	}
	w.Click("#save")
	w.lab.has(changes+1, record.KindConfigured, "LOT-", "lots are scanned here", `"ada"`)
	w.Until("location.search", "done=") // the page goes on by itself; whoever goes elsewhere before is brought back
	w.portUp()
}

// asked waits for a question of the guided path, or its end.
func (w *walk) asked(text string) {
	w.T.Helper()
	w.Until(`document.getElementById("question")?.textContent`, text)
}

// chooses comes to an answer with the Tab key, and presses Enter.
func (w *walk) chooses(text string) {
	w.T.Helper()
	for range 60 {
		if got := w.Says(`document.activeElement.tagName + document.activeElement.textContent`); strings.HasPrefix(got, "BUTTON") && strings.Contains(got, text) {
			w.Keys(enter)
			return
		}
		w.Keys(tab)
	}
	w.T.Fatalf("the Tab key never comes to %q: %s", text, w.Words("main"))
}

// learns answers what the lines do not say, until the balance itself is asked about.
func (w *walk) learns() {
	w.T.Helper()
	for range 20 {
		kind, text, _ := strings.Cut(w.Says(`(document.getElementById("answer")?.dataset.kind ?? "") + "|" + document.getElementById("question")?.textContent`), "|")
		was := w.Says(`document.getElementById("answer")?.dataset.number`)
		switch {
		case strings.Contains(text, "The balance's id"):
			return
		case strings.Contains(text, "Take it all the same"):
			w.chooses("yes, with these doubts")
		case kind == "choice":
			w.chooses("not known")
		case kind == "text":
			w.Enters("")
		default:
			time.Sleep(100 * time.Millisecond) // it works something out
			continue
		}
		w.Until(`document.getElementById("answer")?.dataset.number !== `+strconv.Quote(was), "true")
	}
	w.T.Fatalf("the questions do not end: %s", w.Words("main"))
}

// portUp waits until the daemon listens to the balance, and its line has been silent so long that what comes is heard from its beginning.
func (w *walk) portUp() {
	w.T.Helper()
	for limit := time.Now().Add(patience); ; time.Sleep(10 * time.Millisecond) {
		if list := w.lab.Balances(); len(list) == 1 && list[0].PortUp {
			break
		}
		if time.Now().After(limit) {
			w.T.Fatalf("the port is not opened: %+v", w.lab.Balances())
		}
	}
	time.Sleep(300 * time.Millisecond)
}

// prints has the balance print a weight, which the journal has then.
func (w *walk) prints(n int) record.Entry {
	w.T.Helper()
	w.balance.sends(printed(n))
	w.weighed++
	return w.lab.has(w.weighed, record.KindWeighing, digits(n))
}

func digits(n int) string { return strings.Fields(printed(n))[1] }

// addsAPerson makes an account for an operator, hands over a one-time password, and has it changed by its owner.
func (w *walk) addsAPerson() {
	changes := len(w.lab.entries(record.KindPersonChanged))
	w.Visit("/people")
	w.Click(`a[href="/people/new"]`)
	w.At("/people/new")
	w.Fill("#name", "Bo Lind")
	w.Fill("#id", "bo")
	w.Click(`input[value="operator"]`)
	w.Fill("#why", "weighs in the germination room")
	w.Click("#add button[type=submit]")
	w.At("/people/bo")
	w.Shows("main", "operator", "none yet")
	w.lab.has(changes+1, record.KindPersonChanged, "Bo Lind", `"operator"`, "weighs in the germination room", `"ada"`)
	w.Fill("#reset-why", "the first one")
	w.Keys(enter)
	w.Shows("output.once", "")
	w.Until(`document.querySelector("output.once")?.textContent.length > 8`, "true")
	once := w.Words("output.once")
	w.signsOut()
	w.signsIn("bo", once, "Choose another password")
	w.Ready("#new")
	w.Enters(bosSecret)
	w.Until("location.pathname", "/")
	w.Shows(".signed", "Bo Lind")
	w.Lacks("#choose")
	for _, e := range w.lab.entries(record.KindPersonChanged, record.KindSignedIn, record.KindConfigured) {
		for _, secret := range []string{adasSecret, bosSecret, once} {
			if strings.Contains(string(e.JSON), secret) {
				w.T.Errorf("a secret is in the journal: %s", e.JSON)
			}
		}
	}
}

// watch notes when the band of answers changes, and then every text that the part for screen readers has.
const watch = `(() => {
  window.told = { heard: [] };
  new MutationObserver(() => requestAnimationFrame(() => { window.told.shown ??= Date.now(); })).observe(document.getElementById("answer"), { childList: true });
  new MutationObserver(() => window.told.heard.push(document.getElementById("heard").textContent)).observe(document.getElementById("heard"), { childList: true, characterData: true, subtree: true });
  return "watching";
})()`

// weighs puts the screen at the balance, says who and which sample, and weighs, by the keyboard alone.
func (w *walk) weighs() {
	w.Visit("/bench")
	w.Ready("#code")
	w.Enters("no-such-balance")
	w.Shows(".told", "No balance has that label")
	w.Enters("0047-112")
	w.At("/bench/b-7")
	w.Ready("#scan")
	w.Shows("#person", "nobody")
	w.TabTo("#mine")
	w.Keys(enter)
	w.Shows("#person", "Bo Lind")
	w.Focus("#scan")
	w.Enters("LOT-7")
	w.Shows("#sample", "LOT-7")
	w.Shows("#next", "Put the sample on")
	w.Until(watch, "watching")
	w.balance.sends(printed(501234))
	kept := w.acknowledged()
	w.Shows("#answer", "Recorded", "50.1234 g", "LOT-7", "Bo Lind", "/b-7/")
	w.Until("window.told.heard.join('\\n')", "Recorded. 50.1234 g. for sample LOT-7, Bo Lind")
	w.Until("window.told.shown > 0", "true")
	shown, err := strconv.ParseInt(w.Says("window.told.shown"), 10, 64)
	after := time.UnixMilli(shown).Sub(kept)
	if err != nil || after > patience/2 {
		w.T.Errorf("the band came %v after the entry: %v", after, err)
	}
	w.T.Logf("the band was there %d ms after the entry was acknowledged", after.Milliseconds())
	w.weighed++
	w.lab.has(w.weighed, record.KindWeighing, `"50.1234"`, `"LOT-7"`, `"bo"`, `"Bo Lind"`)

	w.balance.sends("what is this\r\n")
	w.Shows("#answer", "Not read")
	if why := w.Words("#answer .why"); !strings.Contains(why, " ") {
		w.T.Errorf("a line that cannot be read is told with the reason %q", why)
	}
	w.lab.has(1, record.KindUnread)
	w.lab.has(w.weighed, record.KindWeighing, `"50.1234"`)
}

// acknowledged waits until the daemon says that it recorded one more, and gives when that was.
func (w *walk) acknowledged() time.Time {
	w.T.Helper()
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(time.Millisecond) {
		if last := w.lab.Balances()[0].Last; last != nil && last.Value.Digits == "50.1234" {
			return time.Now()
		}
	}
	w.T.Fatal("nothing is recorded")
	return time.Time{}
}

func (w *walk) diskFull() {
	w.Lacks("#not-recording")
	ballast := needs.Fill(w.T, w.lab.disk)
	w.balance.sends(printed(601234))
	w.Shows("#not-recording", "NOT RECORDING")
	w.Shows("#answer", "NOT RECORDED", "60.1234 g")
	w.Shows("#next", "by hand")
	if n := len(w.lab.entries(record.KindWeighing)); n != w.weighed {
		w.T.Errorf("the journal has %d weighings on a full disk, want %d", n, w.weighed)
	}
	if err := os.Remove(ballast); err != nil {
		w.T.Fatal(err)
	}
	w.Shows("#answer", "Recorded", "60.1234 g")
	w.Lacks("#not-recording")
	w.weighed++
	w.lab.has(w.weighed, record.KindWeighing, `"60.1234"`)
	w.prints(701234)
	w.Shows("#answer", "Recorded", "70.1234 g")
}

// portDown pulls the cable, has the port tried while it is still away and again when it is back, all from the overview.
func (w *walk) portDown() {
	w.Visit("/")
	w.Shows("main", "Balances")
	w.Lacks(`#conditions form[data-send*="/port/try"]`)
	w.balance.pull()
	w.Shows("#conditions", "b-7", "Try the port now")
	w.Until(`(addEventListener("done", (e) => { window.tried = e.detail.status; }), "listening")`, "listening")
	button := `#conditions form[data-send="POST /api/v1/balances/b-7/port/try"] button`
	w.Click(button)
	w.Shows("#conditions .told", "The port does not open", w.balance.address)
	if got := w.Says("window.tried"); got != "undefined" {
		w.T.Errorf("a port that is away was opened: %s", got)
	}
	w.lab.has(len(w.lab.entries(record.KindPortDown)), record.KindPortDown, "b-7")
	ups := len(w.lab.entries(record.KindPortUp))
	w.balance.plug()
	w.Click(button)
	w.Until("window.tried", "200")
	w.Shows("#conditions .done", "The port is open.")
	w.Visit("/") // rather than wait until that was read
	w.Lacks(`#conditions form[data-send*="/port/try"]`)
	w.Shows("main", "1 of 1 connected")
	w.lab.has(ups+1, record.KindPortUp, "b-7")
	w.portUp()
	w.prints(801234)
	w.Shows("main", "80.1234")
}

// searches looks for what was weighed of a sample, and opens the first record of it.
func (w *walk) searches() {
	w.signsOut()
	w.signsIn("ada", adasSecret, "Ada Quill")
	w.Click(`nav a[href="/weighed"]`)
	w.At("/weighed")
	w.Fill("#sample", "LOT-8")
	w.Keys(enter)
	w.Until("location.search", "sample=LOT-8")
	w.Shows("main", "0 entries")
	w.Fill("#sample", "LOT-7")
	w.Keys(enter)
	w.Until("location.search", "sample=LOT-7")
	w.Shows("#count", strconv.Itoa(w.ofLot7())+" entr")
	w.Shows("table", "50.1234", "LOT-7", "b-7", "Bo Lind")
}

// ofLot7 is how many weighings of the sample the journal has.
func (w *walk) ofLot7() (n int) {
	for _, e := range w.lab.entries(record.KindWeighing) {
		if strings.Contains(string(e.JSON), `"LOT-7"`) {
			n++
		}
	}
	return n
}

// proves opens the record that was searched for, and holds its proof against the journal's key.
func (w *walk) proves() {
	w.Until(`(() => { const row = [...document.querySelectorAll("tbody tr")].find((r) => r.textContent.includes("50.1234")); row.querySelector("a").focus(); return "there"; })()`, "there")
	w.Keys(enter)
	w.Until("location.pathname", "/weighed/seed-bank/")
	sent := printed(501234)
	hexed := hex.EncodeToString([]byte(sent))
	w.Until(`[...document.querySelectorAll("table.bytes td.hex span")].map((s) => s.textContent).join("")`, hexed)
	w.Shows("main", "50.1234", "Bo Lind", "LOT-7")
	w.Click("#take-proof") // which has a checkpoint signed that covers it
	file := w.downloaded("proof")
	key, err := proof.ParseKey(w.lab.token("key.pub"))
	if err != nil {
		w.T.Fatal(err)
	}
	p, err := proof.Parse(file)
	if err != nil {
		w.T.Fatal(err)
	}
	v, err := p.Verify(key)
	if err != nil {
		w.T.Fatal(err)
	}
	var weighing record.Weighing
	if err := json.Unmarshal(v.Entry.JSON, &weighing); err != nil || string(weighing.Frame) != sent || weighing.Value.Digits != "50.1234" {
		w.T.Errorf("%v: what is proved is %s", err, v.Entry.JSON)
	}
	w.Reload()
	w.Shows("main", v.Entry.ID, "Leaf hash", "Root hash", hex.EncodeToString(v.Checkpoint.Root[:]))
}

// exports takes what was found as CSV.
func (w *walk) exports() {
	w.Visit("/weighed?sample=LOT-7")
	w.Click(".take summary")
	w.Until(`(document.getElementById("format").value = "csv", document.getElementById("format").dispatchEvent(new Event("change")), "csv")`, "csv")
	w.Click("#take [name=pack]") // the CSV alone
	w.Click("#take button[type=submit]")
	w.Shows("#taken", "Whole")
	text := string(w.downloaded(".csv"))
	lines := strings.Split(strings.TrimSpace(text), "\n")
	if len(lines) != 1+w.ofLot7() || !strings.Contains(text, "50.1234") || !strings.Contains(text, "LOT-7") || !strings.Contains(text, "/b-7/") {
		w.T.Errorf("the export of %d records is:\n%s", w.ofLot7(), text)
	}
}

// leaves signs out. What somebody does at leads to where one signs in, and nothing that acts is offered.
func (w *walk) leaves() {
	w.signsOut()
	for _, path := range []string{"/add", "/people/new", "/account", "/settings/new/balance"} {
		w.Visit(path)
		w.Until("location.pathname + decodeURIComponent(location.search)", "/sign-in?to="+path)
		w.Shows("h1", "Sign in")
	}
	w.Visit("/bench/b-7")
	w.Shows("#bench", "Sign in without a badge")
	w.Lacks("[data-step], #mine")
	if got := w.Says(`(fetch("/api/v1/balances/b-7/steps/next", {method: "POST", headers: {"X-Weighpost-Page": "1", "Content-Type": "application/json"}, body: "{}"}).then((r) => { window.forced = r.status; }), "asked")`); got != "asked" {
		w.T.Error(got)
	}
	w.Until("window.forced", "401")
}
