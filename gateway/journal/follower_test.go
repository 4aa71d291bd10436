package journal

import (
	"context"
	"encoding/json"
	"sync"
	"testing"

	"weighpost/gateway/record"
)

// TestAnActNamesTheSignatureBeforeIt, whatever else is appended at the same time.
func TestAnActNamesTheSignatureBeforeIt(t *testing.T) {
	j := open(t, Options{Dir: t.TempDir()})
	var all sync.WaitGroup
	for n := range 40 {
		all.Go(func() {
			if n%2 == 0 {
				if _, err := j.Append(context.Background(), weighing("b-12", n)); err != nil {
					t.Error(err)
				}
				return
			}
			list, err := j.Append(context.Background(), &record.Signature{Meaning: record.MeansReviewed}, &record.RunReview{Act: record.ActApprove, Signature: &record.EntryRef{}})
			if err != nil {
				t.Error(err)
				return
			}
			var a record.RunReview
			if err := json.Unmarshal(list[1].JSON, &a); err != nil || a.Signature == nil || a.Signature.ID != list[0].ID || a.Signature.Seq != list[0].Seq || list[1].Seq != list[0].Seq+1 {
				t.Errorf("%v: %s names %+v, and comes after %s", err, list[1].ID, a.Signature, list[0].ID)
			}
		})
	}
	all.Wait()
}
