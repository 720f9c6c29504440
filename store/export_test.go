package store

import (
	"context"

	"github.com/jackc/pgx/v5/pgxpool"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// Pool lets tests break the schema's rules by hand.
func (s *Store) Pool() *pgxpool.Pool { return s.pool }

// MapError is the error mapping.
func MapError(err error) error { return mapError(err) }

// ConstraintNames lists the constraints that have a message.
func ConstraintNames() []string {
	var names []string
	for name := range constraints {
		names = append(names, name)
	}
	return names
}

// ConstraintRule returns the code and field of a constraint's message.
func ConstraintRule(name string) (problem.Code, string) {
	return constraints[name].code, constraints[name].field
}

// RecurrenceFromRecords is the list without the sums.
func (s *Store) RecurrenceFromRecords(ctx context.Context, shopID shop.ID, q shop.RecurrenceQuery) ([]shop.GroupCount, error) {
	g, args, err := recurrenceArgs(shopID, q)
	if err != nil {
		return nil, err
	}
	return s.recurrenceFromRecords(ctx, g, args)
}

// RecurrenceBySums is the list from the sums alone; false where they cannot give it.
func (s *Store) RecurrenceBySums(ctx context.Context, shopID shop.ID, q shop.RecurrenceQuery) ([]shop.GroupCount, bool, error) {
	return s.recurrenceBySums(ctx, shopID, q)
}

// RebuildSums makes the sums of a shop anew.
func (s *Store) RebuildSums(ctx context.Context, shopID shop.ID) error {
	return s.rebuildSums(ctx, shopID)
}

// NarrowUpTo is the store with another limit of the boards that a drill-down is narrowed to.
func (s *Store) NarrowUpTo(boards int) *Store {
	other := *s
	other.narrow = boards
	return &other
}
