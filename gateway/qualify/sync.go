package qualify

import (
	"context"
	"errors"
	"os"
	"slices"
	"time"
)

// What is written to see whether it reaches the disk: a block as the journal writes them, often enough for a 99th percentile that is not
// the worst of a handful.
const (
	syncBlock  = 4096
	syncRounds = 200
)

// tooQuick is quicker than a disk or a flash that keeps what it acknowledges was ever seen to be (common practice, without a source).
const tooQuick = 15 * time.Microsecond

// sync measures a write and fdatasync in the folder of the journal, and looks at what it is on.
func (u *run) sync(ctx context.Context, t *try) {
	folder := u.Config.Journal.Folder
	t.tried("Wrote %d blocks of %d bytes, each followed by fdatasync, to a file in %s.", syncRounds, syncBlock, folder)
	t.expected("Each is taken without an error, by a file system of a local disk.")
	name, refused := fileSystem(folder)
	t.saw("File system: %s.", name)
	if refused != "" {
		t.fail("%s is %s: %s.", folder, name, refused)
	}
	took, err := timeSync(ctx, folder)
	if err != nil {
		t.fail("What was written could not be taken to the disk: %v.", err)
		return
	}
	slices.Sort(took)
	half, most := took[len(took)/2], took[len(took)*99/100]
	t.saw("Half took no more than %s, 99 of 100 no more than %s, the longest %s.", rounded(half), rounded(most), rounded(took[len(took)-1]))
	if half < tooQuick {
		t.saw("That is quicker than disks are: something between may say that bytes are safe before they are.")
	}
	t.saw("Not shown: whether the disk keeps what it has acknowledged when the power goes. Only pulling the plug shows that.")
}

func rounded(d time.Duration) time.Duration { return d.Round(10 * time.Microsecond) }

func timeSync(ctx context.Context, folder string) (took []time.Duration, err error) {
	f, err := os.CreateTemp(folder, ".weighpost-qualify-")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, f.Close(), os.Remove(f.Name())) }()
	block := make([]byte, syncBlock)
	for range syncRounds {
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		begun := time.Now()
		if _, err := f.Write(block); err != nil {
			return nil, err
		}
		if err := datasync(f); err != nil {
			return nil, err
		}
		took = append(took, time.Since(begun))
	}
	return took, nil
}
