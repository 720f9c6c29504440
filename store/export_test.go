package store

import (
	"github.com/jackc/pgx/v5/pgxpool"

	"nextprobe/internal/problem"
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
