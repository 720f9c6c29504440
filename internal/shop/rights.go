package shop

import (
	"slices"
	"strings"

	"nextprobe/internal/problem"
)

// right is a kind of use case that a role may or may not do.
type right int

const (
	mayRead right = iota
	mayIntake
	mayBench
	mayStock
	mayInstruments
	mayPeople
	mayLibrary
	mayShop
	mayLearn
	mayAlerts
)

// rights is the whole table of who may do what. Reading is everybody's, but for
// users and tokens, which are mayPeople.
var rights = map[right][]Role{
	mayRead:        {Owner, Technician, Counter},
	mayIntake:      {Owner, Technician, Counter}, // boards, customers, connectors, jobs at the counter, symptoms
	mayBench:       {Owner, Technician},          // measurements, openings, faults, repairs, verifications
	mayStock:       {Owner, Technician},          // parts and their ledger
	mayInstruments: {Owner, Technician},
	mayPeople:      {Owner},
	mayLibrary:     {Owner},
	mayShop:        {Owner},
	mayLearn:       {Owner}, // what the jobs taught: accept and reject; everybody may read it
	mayAlerts:      {Owner}, // what keeps failing: set an alert aside; everybody may read it
}

// counterMoves are the states the counter may move a job to: those that are
// settled with the customer, not at the bench.
var counterMoves = []State{Received, AwaitingApproval, Declined, Returned}

// may returns Forbidden, naming the roles that would do, when a lacks the right.
func (a Actor) may(r right) error {
	if slices.Contains(rights[r], a.Role) {
		return nil
	}
	return forbidden(a.Role, rights[r])
}

func (a Actor) mayMove(to State) error {
	if a.Role == Counter && slices.Contains(counterMoves, to) {
		return nil
	}
	return a.may(mayBench)
}

func forbidden(have Role, need []Role) error {
	names := make([]string, len(need))
	for i, r := range need {
		names[i] = string(r)
	}
	role := string(have)
	if role == "" {
		role = "nobody"
	}
	return problem.New(problem.Forbidden, "This needs the role %s; you act as %s.", strings.Join(names, " or "), role)
}
