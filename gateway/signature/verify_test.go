package signature

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

const r17, r18 = "r-7qx3-000017", "r-7qx3-000018"

// TestARunThatNobodyTouchedHolds: three signatures, each under what was there when it was given; looking changes nothing, and what came
// to another run meanwhile neither.
func TestARunThatNobodyTouchedHolds(t *testing.T) {
	b := &book{t: t}
	b.weigh(r18)
	b.signed(r17)
	b.act(r18, record.ActSubmit, record.RunComplete, record.RunInReview, record.MeansPerformed, bela)
	for run, want := range map[string]int{r17: 3, r18: 1} {
		v := verified(t, run, texts(b.of(run)))
		if !v.Holds() || len(v.Signatures) != want {
			t.Errorf("%s: %+v", run, v)
		}
		for _, f := range v.Signatures {
			if !f.InForce() {
				t.Errorf("%s: %s is not in force: %s", run, f.Signature.Meaning, f.Over)
			}
		}
		if v.After != 2 { // the last signature and its act
			t.Errorf("%s: %d entries after what the last signature covers", run, v.After)
		}
	}
}

// TestEveryByteThatIsAlteredIsFound: whatever byte of an entry that the last signature covers is another one.
func TestEveryByteThatIsAlteredIsFound(t *testing.T) {
	b := &book{t: t}
	b.signed(r17)
	list := texts(b.of(r17))
	tried, step, from := 0, 31, rand.IntN(31)
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		step, from = 1, 0
	}
	t.Logf("every byte from %d on, in steps of %d", from, step)
	for i := range list[:len(list)-2] { // but for the last signature and its act, of which the next test tells
		for k := from; k < len(list[i]); k += step {
			altered := slices.Clone(list)
			altered[i] = slices.Clone(list[i])
			altered[i][k] ^= 1 << (k % 7)
			if tried++; verified(t, r17, altered).Holds() {
				t.Fatalf("entry %d, byte %d: %q for %q passes", i, k, altered[i][k], list[i][k])
			}
		}
	}
	if tried < 5000/step {
		t.Errorf("only %d bytes were altered", tried)
	}
}

// TestWhatOfASignatureItselfIsBound: the last signature is covered by none after it. What says who signed what, as what, with which meaning,
// is bound by itself; when and how they showed who they are is bound by the journal alone, and a proof shows that.
func TestWhatOfASignatureItselfIsBound(t *testing.T) {
	b := &book{t: t}
	b.signed(r17)
	list := texts(b.of(r17))
	at := len(list) - 2
	found := map[string]bool{"id": true, "seq": true, "run": true, "meaning": true, "statement": true, "covers": true, "name": true, "role": true, "by": true,
		"schema": true}
	byJournal := []string{"site", "balance", "login", "how", "session", "zone", "stamp"}
	var fields map[string]json.RawMessage
	if err := json.Unmarshal(list[at], &fields); err != nil {
		t.Fatal(err)
	}
	for name, is := range fields {
		altered := slices.Clone(list)
		text := strings.NewReplacer("approved", "reviewed", "000017", "000018", "Cora", "Dora", "cora", "dora", "quality", "qualitx", "Covers: 1", "Covers: 2",
			`"entries":`, `"entries":1`, "weighpost.signature/1", "weighpost.run-step/1", "b-12", "b-13", "s-1", "s-2", "Europe/Stockholm", "Europe/Berlin", "id and secret", "secret",
			"2026-", "2025-", "north-lab", "south-lab").Replace(string(is))
		if name == "seq" {
			text = "99999"
		}
		if text == string(is) {
			t.Fatalf("the test alters nothing of %s: %s", name, is)
		}
		altered[at] = bytes.Replace(list[at], append([]byte(`"`+name+`":`), is...), []byte(`"`+name+`":`+text), 1)
		holds := verified(t, r17, altered).Holds()
		if !holds && !found[name] || holds && !slices.Contains(byJournal, name) {
			t.Errorf("%s altered: holds %t", name, holds)
		}
	}
	if len(fields) != len(found)+len(byJournal) {
		t.Errorf("a signature has other fields: %d", len(fields))
	}
}

// TestEntriesLeftOutAddedOrMovedAreFound is about the list.
func TestEntriesLeftOutAddedOrMovedAreFound(t *testing.T) {
	b := &book{t: t}
	b.signed(r17)
	b.weigh(r18)
	list, other := texts(b.of(r17)), texts(b.of(r18))
	for i := range list {
		if v := verified(t, r17, slices.Delete(slices.Clone(list), i, i+1)); v.Holds() {
			t.Errorf("without entry %d it holds", i)
		}
		if v := verified(t, r17, slices.Insert(slices.Clone(list), i, list[i])); v.Holds() {
			t.Errorf("with entry %d twice it holds", i)
		}
		if v := verified(t, r17, slices.Insert(slices.Clone(list), i, other[1])); v.Holds() {
			t.Errorf("with an entry of another run before entry %d it holds", i)
		}
		if i > 0 {
			moved := slices.Clone(list)
			moved[i-1], moved[i] = moved[i], moved[i-1]
			if v := verified(t, r17, moved); v.Holds() {
				t.Errorf("with entries %d and %d the other way round it holds", i-1, i)
			}
		}
	}
	// A weighing that somebody made up, with a sequence of its own, in front of the signatures.
	made := bytes.ReplaceAll(bytes.Replace(list[1], []byte(`"seq":103`), []byte(`"seq":104`), 1), []byte("/000103"), []byte("/000104"))
	if v := verified(t, r17, slices.Insert(slices.Clone(list), 2, made)); v.Holds() {
		t.Error("with a weighing that was put in it holds")
	}
}

// forged makes an entry of one by replacing text, as somebody would who can write to the disk.
func forged(t *testing.T, e []byte, seq int, replace ...string) []byte {
	t.Helper()
	var head record.Head
	if err := json.Unmarshal(e, &head); err != nil {
		t.Fatal(err)
	}
	replace = append(replace, fmt.Sprintf(`"seq":%d`, head.Seq), fmt.Sprintf(`"seq":%d`, seq), fmt.Sprintf("@/%06d", head.Seq), fmt.Sprintf("@/%06d", seq))
	return []byte(strings.NewReplacer(replace...).Replace(string(e)))
}

// TestASignatureThatIsMovedOrCopiedIsFound (21 CFR 11.70).
func TestASignatureThatIsMovedOrCopiedIsFound(t *testing.T) {
	b := &book{t: t}
	b.signed(r17)
	b.weigh(r18)
	b.exclude(r18)
	from, to := texts(b.of(r17)), texts(b.of(r18))
	n := len(from)
	for what, moved := range map[string][][]byte{
		"as it is":                           {from[n-2], from[n-1]},
		"with the id of the run":             {forged(t, from[n-2], 900, r17, r18), forged(t, from[n-1], 901, r17, r18, fmt.Sprintf(`"seq":%d,"id"`, 1), "")},
		"with the right count, and its last": {forged(t, from[n-2], 900, r17, r18, `"entries":10`, `"entries":7`), forged(t, from[n-1], 901, r17, r18)},
	} {
		if v := verified(t, r18, append(slices.Clone(to), moved...)); v.Holds() {
			t.Errorf("moved to another run, %s: %+v", what, v)
		}
	}
	// Copied: once more behind the run, after a correction had ended it.
	b.exclude(r17)
	list := texts(b.of(r17))
	copied := forged(t, from[n-2], 900)
	act := forged(t, from[n-1], 901, `"signature":{"seq":`+seqOf(t, from[n-2])+`,`, `"signature":{"seq":900,`)
	v := verified(t, r17, append(slices.Clone(list), copied, act))
	last := v.Signatures[len(v.Signatures)-1]
	if v.Holds() || last.Holds() || len(v.Signatures) != 4 || !strings.Contains(last.Wrong[0], "behind what it covers") {
		t.Errorf("copied behind a correction: %+v", last)
	}
	t.Log(last.Wrong[0])
	// Whoever would have it cover the correction too needs another root, another statement: what was signed is another text then.
	var s record.Signature
	if err := json.Unmarshal(copied, &s); err != nil {
		t.Fatal(err)
	}
	s.Covers = Cover(b.of(r17))
	text, err := json.Marshal(&s)
	if err != nil {
		t.Fatal(err)
	}
	v = verified(t, r17, append(slices.Clone(list), text, act))
	if last = v.Signatures[3]; last.Holds() || !strings.Contains(strings.Join(last.Wrong, " "), "its statement does not say") {
		t.Errorf("copied, with another root: %+v", last.Wrong)
	}
}

func seqOf(t *testing.T, e []byte) string {
	t.Helper()
	one, err := record.ParseEntry(e)
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprint(one.Seq)
}

// TestWhatEndsASignature: it holds, and is no longer in force.
func TestWhatEndsASignature(t *testing.T) {
	for what, after := range map[string]func(b *book){
		"a weighing was excluded: spilt":     func(b *book) { b.exclude(r17) },
		"the run was returned: as the rules": func(b *book) { b.act(r17, record.ActReturn, record.RunApproved, record.RunReturned, "", bela) },
		"a failed check":                     func(b *book) { b.act(r17, record.ActDoubt, record.RunApproved, record.RunReviewAgain, "", anna) },
		"another run took the place":         func(b *book) { b.act(r17, record.ActReplace, record.RunApproved, record.RunReplaced, "", bela) },
		"":                                   func(b *book) { b.act(r17, record.ActArchive, record.RunApproved, record.RunArchived, "", cora) },
	} {
		b := &book{t: t}
		b.signed(r17)
		after(b)
		v := verified(t, r17, texts(b.of(r17)))
		if !v.Holds() || len(v.Signatures) != 3 {
			t.Fatalf("%s: %+v", what, v)
		}
		for _, f := range v.Signatures {
			if f.InForce() != (what == "") || !strings.Contains(f.Over, what) {
				t.Errorf("%q: %s is over: %q", what, f.Signature.Meaning, f.Over)
			}
		}
		if what == "" || !strings.HasPrefix(what, "the run was returned") {
			continue
		}
		// Submitted again, the earlier ones stay over.
		b.act(r17, record.ActSubmit, record.RunReturned, record.RunInReview, record.MeansPerformed, anna)
		v = verified(t, r17, texts(b.of(r17)))
		if !v.Holds() || v.Signatures[2].InForce() || !v.Signatures[3].InForce() {
			t.Errorf("submitted again: %+v", v.Signatures)
		}
	}
}

// TestAWeighingThatCameMeanwhile is not covered, and said.
func TestAWeighingThatCameMeanwhile(t *testing.T) {
	b := &book{t: t}
	b.weigh(r17)
	facts, err := Of(b.of(r17))
	if err != nil {
		t.Fatal(err)
	}
	b.add(&record.Weighing{Balance: balance, Value: record.Value{Digits: "1.0000", Unit: "g"}, Stamp: b.stamp(), Context: record.Context{Run: &record.Learnt{ID: r17, By: record.FromRun}}})
	ref := b.add(&record.Signature{Run: facts.Run, Meaning: record.MeansPerformed, Statement: Statement(facts, Signer{record.MeansPerformed, anna.Name, anna.Role}),
		Covers: facts.Covers, Name: anna.Name, Role: anna.Role, Login: anna.ID, How: record.ShownBoth, By: anna, Stamp: b.stamp()})
	b.add(&record.RunReview{Run: facts.Run, Act: record.ActSubmit, To: record.RunInReview, Signature: &ref, By: anna, Stamp: b.stamp()})
	v := verified(t, r17, texts(b.of(r17)))
	if !v.Holds() || v.Signatures[0].Between != 1 {
		t.Errorf("%+v", v)
	}
}
