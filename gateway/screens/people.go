package screens

import (
	"errors"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func (s *Screens) peoplePages() []row {
	if s.deps.Access == nil {
		return nil
	}
	return []row{
		{"/sign-in", console.Everybody, s.signIn},
		{"/account", rights.OwnAccount, s.account},
		{"/people", rights.ReadPeople, s.people},
		{"/people/new", rights.People, s.newPerson},
		{"/people/{id}", rights.ReadPeople, s.person},
		{"/people/{id}/{$}", rights.ReadPeople, s.person},
		{"/people/roles", rights.ReadPeople, s.roles},
		{"/people/keys", rights.ReadPeople, s.keys},
		{"/people/reviews", rights.ReadPeople, s.accountReviews},
	}
}

// peoplePlace is where the pages of people stand in the navigation.
const peoplePlace = "/people"

// personWords are what the templates of these pages say beside the words of every page.
func personWords() template.FuncMap {
	return template.FuncMap{
		"personPath": personPath, "step": url.PathEscape, "signedInBy": signedInBy, "allows": allows, "roleNames": roleNames, "accountState": accountState,
		"sourceWords": sourceWords,
	}
}

// taken are ids that a page of its own has the address of.
var taken = []string{"new", "roles", "keys", "reviews"}

// personPath is the address of somebody's page. An id that is the name of another page too is told from it by a slash.
func personPath(id string) string {
	path := peoplePlace + "/" + url.PathEscape(id)
	if slices.Contains(taken, id) {
		path += "/"
	}
	return path
}

// signedInBy says in words how somebody was identified.
func signedInBy(by string) string {
	if words := map[string]string{
		record.ActorPassword: "with name and password", record.ActorDirectory: "with the password that the directory judges",
		record.ActorCached: "with the password that the directory took last, while it did not answer", record.ActorOpenID: "at the provider",
		record.ActorBadge: "with a badge alone", record.ActorBadgePIN: "with badge and PIN", record.ActorAPIKey: "by a program’s key",
		record.ActorHost: "on weighpost’s computer", record.ActorToken: "by the token of weighpost’s computer",
	}[by]; words != "" {
		return words
	}
	return by
}

// sourceWords says who keeps an account.
func sourceWords(source string) string {
	switch source {
	case "local", "":
		return "kept here"
	case "directory":
		return "kept by the directory"
	}
	return "kept by " + source
}

func roleNames(roles []string) string {
	if len(roles) == 0 {
		return "no role"
	}
	return strings.Join(roles, ", ")
}

// accountState says in a word whether an account can be used.
func accountState(p rights.PersonView) string {
	switch {
	case p.Disabled:
		return "disabled"
	case p.Expires != nil && !p.Expires.Time().After(time.Now()):
		return "ended"
	case p.Locked:
		return "locked"
	case p.Source == "local" && !p.HasSecret:
		return "no password yet"
	case p.Reset:
		return "has to choose a password"
	}
	return "can sign in"
}

// refusedPage shows why a page has nothing on it.
func (s *Screens) refusedPage(w http.ResponseWriter, r *http.Request, title string, err error) {
	status := http.StatusServiceUnavailable
	var denied *rights.Denied
	switch {
	case errors.Is(err, rights.ErrNoPerson):
		status = http.StatusNotFound
	case errors.As(err, &denied):
		status = http.StatusForbidden
	}
	s.sorry(w, r, status, title, asSentence(err.Error()))
}

// asSentence begins with a capital letter and ends with a full stop.
func asSentence(text string) string {
	if text == "" {
		return ""
	}
	text = strings.ToUpper(text[:1]) + text[1:]
	if !strings.HasSuffix(text, ".") {
		text += "."
	}
	return text
}

// allows says what a right allows.
func allows(r rights.Right) string {
	if words := rightWords[r]; words != "" {
		return words
	}
	return string(r)
}
