package files

import (
	"context"

	"weighpost/sinks"
	"weighpost/sinks/folder"
)

// Held looks through the folder: the checkpoints in it, and the entries in files of this sink's format. Names and times of
// files mean nothing here: what counts is what an entry says of itself.
func (s *Sink) Held(ctx context.Context, after uint64) (sinks.Held, error) {
	found := make(chan sinks.Held, 1)
	_, err := s.work.Do(ctx, func(ctx context.Context) (int, error) {
		if err := s.open(); err != nil {
			return 0, err
		}
		found <- s.filing.Held(ctx, folder.NewVisit(local{s.root}), after)
		return 0, nil
	})
	if err != nil {
		return sinks.Held{}, err
	}
	return <-found, nil
}
