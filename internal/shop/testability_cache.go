package shop

import (
	"context"
	"sync"

	"nextprobe/internal/faultlib"
)

const (
	// reportsAtOnce is how many trees and testability reports are worked out at the
	// same time; each keeps one core busy for some seconds.
	reportsAtOnce = 2
	// reportsKept bounds the testability reports in memory.
	reportsKept = 16
)

// reports bounds the work that is not a job's, and keeps testability reports:
// what they are made of never changes, so neither do they.
type reports struct {
	places chan struct{}
	mu     sync.Mutex
	kept   map[reportKey]*report
	order  []reportKey
}

// reportKey is a library file with the numbers that a shop has learned, if any.
type reportKey struct {
	hash    string
	learned learnedKey
}

// report is one being made or made: whoever comes second waits for turn.
type report struct {
	turn chan struct{}
	told *faultlib.Testability
}

func newReports() *reports {
	return &reports{places: make(chan struct{}, reportsAtOnce), kept: map[reportKey]*report{}}
}

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

// testability returns the kept report or has it made. One that failed, or whose
// asker went away, is made anew for the next.
func (r *reports) testability(ctx context.Context, key reportKey, make func() (*faultlib.Testability, error)) (*faultlib.Testability, error) {
	p := r.of(key)
	select {
	case p.turn <- struct{}{}:
		defer func() { <-p.turn }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if p.told != nil {
		return p.told, nil
	}
	if err := r.enter(ctx); err != nil {
		return nil, err
	}
	defer r.leave()
	told, err := make()
	if err != nil {
		return nil, err
	}
	p.told = told
	return told, nil
}

func (r *reports) of(key reportKey) *report {
	r.mu.Lock()
	defer r.mu.Unlock()
	p := r.kept[key]
	if p == nil {
		if len(r.order) == reportsKept {
			delete(r.kept, r.order[0])
			r.order = r.order[1:]
		}
		p = &report{turn: make(chan struct{}, 1)}
		r.kept[key] = p
		r.order = append(r.order, key)
	}
	return p
}
