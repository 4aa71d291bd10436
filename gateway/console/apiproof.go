package console

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Evidence tells what is known of an entry beside what it says itself.
type Evidence interface {
	// ProofOf gives the proof that an entry is in the journal, by its sequence. sign: where no checkpoint covers it yet, one is
	// signed now. The error is ErrNotCovered, or says why the proof cannot be made.
	ProofOf(ctx context.Context, seq uint64, sign bool) (Proof, error)
	// FirstProofOf gives the proof by the first checkpoint that covers an entry, so that it is the same each time; where none does yet, one
	// is signed now. The error says why the proof cannot be made.
	FirstProofOf(ctx context.Context, seq uint64) (Proof, error)
	// DeliveriesOf says what became of an entry at each sink, in the order of the configuration. The error is ErrNoEntry, or says
	// why that cannot be told now.
	DeliveriesOf(ctx context.Context, seq uint64) ([]DeliveryOf, error)
}

// ErrNotCovered says that no checkpoint covers an entry yet.
var ErrNotCovered = errors.New("no checkpoint covers the entry yet: one is signed at least every minute while entries come")

// Proof is a proof file and what stands in it.
type Proof struct {
	File   []byte   // C2SP tlog-proof
	Leaf   string   // hash of the entry's bytes (RFC 6962, section 2.1), hexadecimal
	Index  uint64   // of the leaf, from 0
	Hashes []string // from the leaf's sibling up to a child of the root, hexadecimal
	Size   uint64   // entries that the checkpoint covers
	Root   string   // hash of the tree of these, hexadecimal
	Key    string   // name and number of the key that signed the checkpoint
	Note   string   // the signed checkpoint, verbatim
}

// What became of an entry at a sink.
const (
	DeliveryHad       = "delivered"  // the destination has accepted it
	DeliveryWaits     = "waiting"    // the sink has not come to it, or tries
	DeliverySetAside  = "set-aside"  // refused for good, and waits for a person
	DeliveryReleased  = "released"   // it was set aside, and is not any more: it was delivered again
	DeliveryDropped   = "dropped"    // it was set aside, and somebody decided that it is never delivered
	DeliveryNotWanted = "not-wanted" // the sink takes no entries of this kind
	DeliveryHeld      = "held"       // the sink holds it back until somebody releases it
	DeliveryBefore    = "before"     // the sink's present destination began after it
)

// DeliveryOf says what became of one entry at one sink.
type DeliveryOf struct {
	Sink, Kind string // its id, and what it is: mqtt, files …
	State      string // one of the words above
	Why        string // a sentence, or ""
	Notice     uint64 // sequence of the entry that says so; 0: none does
	Given      string // what the destination gave back for it, such as a number of its own; "": nothing is known
	GivenBy    uint64 // sequence of the entry that says that; 0: none does
}

const proofPath = apiPrefix + "proof"

func (s *Server) proofRoute(api huma.API) {
	if s.deps.Evidence == nil || s.deps.Entries == nil {
		return
	}
	huma.Register(api, needs(huma.Operation{OperationID: "prove-entry", Method: http.MethodGet, Path: proofPath, Tags: []string{"journal"},
		Summary: "The proof that an entry is in the journal, as a file",
		Description: "A small file (C2SP tlog-proof) by which anybody who has the journal's public key can see that the entry is in the journal, " +
			"without the journal: weighpost validate proof FILE --key KEY. Where no checkpoint covers the entry yet, one is signed first.",
		Errors: []int{http.StatusNotFound, http.StatusUnprocessableEntity, http.StatusServiceUnavailable},
		Responses: map[string]*huma.Response{"200": {Description: "The proof.",
			Content: map[string]*huma.MediaType{"text/plain": {Schema: &huma.Schema{Type: huma.TypeString}}}}},
	}, rights.Export), s.proveEntry)
}

func (s *Server) proveEntry(ctx context.Context, in *entryRequest) (*huma.StreamResponse, error) {
	if in.ID == "" {
		return nil, unlisted(&record.RequestRefused{Why: "id is missing: name the entry, as ?id=north-lab/7qx3/b-12/000184"})
	}
	e, err := s.deps.Entries.EntryByID(ctx, in.ID)
	if err != nil {
		return nil, unlisted(err)
	}
	p, err := s.deps.Evidence.ProofOf(ctx, e.Seq, true)
	if err != nil {
		return nil, unlisted(err)
	}
	name := strings.NewReplacer("/", "-", "@", "entry").Replace(in.ID) + ".proof"
	return &huma.StreamResponse{Body: func(ctx huma.Context) {
		_, w := humago.Unwrap(ctx)
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
		w.Header().Set("Cache-Control", "no-store")
		w.Write(p.File)
	}}, nil
}
