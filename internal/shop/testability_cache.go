package shop

import "context"

// reportsAtOnce is how many trees and testability reports are worked out at the
// same time; each keeps one core busy for a second or so.
const reportsAtOnce = 2

// reports bounds the work that is not a job's.
type reports struct {
	places chan struct{}
}

func newReports() *reports { return &reports{places: make(chan struct{}, reportsAtOnce)} }

// enter waits for a place; the error is the context's.
func (r *reports) enter(ctx context.Context) error {
	select {
	case r.places <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (r *reports) leave() { <-r.places }
