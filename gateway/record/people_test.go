package record

import (
	"encoding/json"
	"testing"
)

// TestEntriesOfPeopleCanBeRead: what is written of people is an entry like every other, at a balance and at none. A text in place of
// the balance would be an entry that nobody can read, and with it a journal.
func TestEntriesOfPeopleCanBeRead(t *testing.T) {
	head := func(k Kind) Head {
		return Head{Schema: k.Schema(), ID: "north-lab/7qx3/@/000077", Seq: 77, Site: "north-lab"}
	}
	for _, balance := range []Bench{"", "b-12", "{\"id\"", "<b>", "b\u202e"} {
		for _, body := range []Body{
			&PersonChanged{Head: head(KindPersonChanged)}, &SignedIn{Head: head(KindSignedIn), Balance: balance},
			&SignedOut{Head: head(KindSignedOut), Balance: balance}, &SignInRefused{Head: head(KindSignInRefused), Balance: balance},
			&APIKeyChanged{Head: head(KindAPIKeyChanged)}, &AccountsReviewed{Head: head(KindAccountsReviewed)},
		} {
			raw, err := json.Marshal(body)
			if err != nil {
				t.Fatal(err)
			}
			e, err := ParseEntry(raw)
			if err != nil || e.Kind != body.Kind() || e.Balance != body.Subject() {
				t.Errorf("%s at %q: %v, read as of %q: %s", body.Kind(), balance, err, e.Balance, raw)
			}
		}
		in, out := SignedIn{Balance: balance}, SignedIn{}
		raw, _ := json.Marshal(in)
		if err := json.Unmarshal(raw, &out); err != nil || out.Balance != balance {
			t.Errorf("%q comes back as %q, %v", balance, out.Balance, err)
		}
	}
}
