package screens

import (
	"errors"
	"net/http"
	"strings"

	"weighpost/gateway/archive"
	"weighpost/gateway/record"
	"weighpost/gateway/tell"
)

// sitesEntryPage is one entry with what shows that it is what its gateway recorded.
type sitesEntryPage struct {
	siteOccurrence
	Weighed  *recordPage // of a weighing or a result
	Members  []tell.Member
	Proof    *archive.Inclusion
	ProofWhy string
	Key      string // that signed the checkpoint; "": no proof file can be given
	File     string // address of the proof file
}

// Exact is the entry as it was written.
func (p *sitesEntryPage) Exact() string { return string(p.Stored.JSON) }

// entryAsked finds the entry that an address names. With false it has answered itself.
func (s *Sites) entryAsked(w http.ResponseWriter, r *http.Request) (archive.Stored, bool) {
	id := strings.Join([]string{r.PathValue("site"), r.PathValue("incarnation"), r.PathValue("balance"), r.PathValue("number")}, "/")
	e, err := s.archive.Entry(r.Context(), id)
	switch {
	case errors.Is(err, archive.ErrNone):
		s.sorry(w, r, http.StatusNotFound, "There is no such entry", "The archive has no entry "+id+". It may not have come yet, or its address was cut short.")
	case err != nil:
		s.away(w, r, err)
	}
	return e, err == nil
}

func (s *Sites) showEntryAt(w http.ResponseWriter, r *http.Request) {
	e, ok := s.entryAsked(w, r)
	if !ok {
		return
	}
	h := new(list).occurrence(storedEntry(e))
	members, err := tell.Members(h.Entry)
	if err != nil {
		s.deps.Log.Warn("an entry in the archive cannot be read", "id", e.ID, "err", err) // its exact text is on the page
	}
	p := sitesEntryPage{siteOccurrence: siteOccurrence{h, e}, Members: members, File: strings.Replace(siteEntryPath(e.ID), "/entry/", "/proof/", 1)}
	where := "/happened"
	if h.Entry.Kind.Numbered() {
		where = "/weighed"
		x := recordPage{weighed: readWeighed(h.Entry, new(record.Corrections)), Seq: e.Seq}
		x.Bytes, x.Tied = bytesOf(x.Frame), tiedTo(&x.Weighing)
		p.Weighed = &x
	}
	i, err := s.archive.Prove(r.Context(), e)
	switch {
	case errors.Is(err, archive.ErrNotCosigned):
		p.ProofWhy = "No checkpoint that the archive co-signed covers this entry yet. A gateway publishes one at least every minute while entries come."
	case err != nil:
		p.ProofWhy = "The proof cannot be made: " + err.Error() + "."
	default:
		p.Proof, p.Key = &i, s.keyOf(i.Note)
	}
	s.show(w, r, page{Template: "sites-entry.html", Title: strings.ToUpper(h.About[:1]) + h.About[1:] + " " + e.ID, Place: where, Data: &p})
}

// giveProof gives the proof of an entry as a file, as a gateway gives it, with the archive's signature line in its checkpoint.
func (s *Sites) giveProof(w http.ResponseWriter, r *http.Request) {
	e, ok := s.entryAsked(w, r)
	if !ok {
		return
	}
	i, err := s.archive.Prove(r.Context(), e)
	if err != nil {
		s.sorry(w, r, http.StatusConflict, "There is no proof of this entry", err.Error()+".")
		return
	}
	key := s.keyOf(i.Note)
	if key == "" {
		s.sorry(w, r, http.StatusConflict, "There is no proof file of this entry", "The key that signed its checkpoint is not in the archive's configuration. The gateway itself gives the proof with all of its keys.")
		return
	}
	file, err := i.File(e.JSON, key)
	if err != nil {
		s.sorry(w, r, http.StatusConflict, "There is no proof file of this entry", err.Error()+".")
		return
	}
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="`+strings.NewReplacer("/", "-", `"`, "", "\\", "").Replace(e.ID)+`.proof"`)
	_, _ = w.Write(file)
}
