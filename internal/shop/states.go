package shop

import (
	"slices"
	"strings"

	"nextprobe/internal/problem"
)

// steps is the whole state machine: from each state the states allowed next, in
// the order they are offered.
var steps = []struct {
	from State
	to   []State
}{
	{Received, []State{Diagnosing, Declined, Scrapped}},
	{Diagnosing, []State{AwaitingApproval, AwaitingParts, Repairing, Verifying, Declined, Scrapped}},
	{AwaitingApproval, []State{Diagnosing, AwaitingParts, Repairing, Declined, Scrapped}},
	{AwaitingParts, []State{Diagnosing, AwaitingApproval, Repairing, Declined, Scrapped}},
	{Repairing, []State{Diagnosing, AwaitingApproval, AwaitingParts, Verifying, Scrapped}},
	{Verifying, []State{Diagnosing, Repairing, Ready}},
	{Ready, []State{Returned, Verifying, Diagnosing}},
	{Returned, nil},
	{Declined, []State{Returned, Diagnosing}},
	{Scrapped, nil},
}

// States lists the states of a job in the order a job goes through them.
func States() []State {
	out := make([]State, len(steps))
	for i, s := range steps {
		out[i] = s.from
	}
	return out
}

// NextStates lists the states a job may be moved to; none for a final or unknown one.
func NextStates(from State) []State {
	for _, s := range steps {
		if s.from == from {
			return slices.Clone(s.to)
		}
	}
	return nil
}

// Open reports whether the board is still in the shop.
func (s State) Open() bool { return validState(s) && s != Returned && s != Scrapped }

func validState(s State) bool { return slices.Contains(States(), s) }

// needsReason tells whether the log must say why: giving up a board, and taking
// back what had been declared ready.
func needsReason(from, to State) bool {
	return to == Declined || to == Scrapped || from == Ready && to != Returned
}

// checkMove refuses a change of state that the state machine does not have.
func checkMove(from, to State) error {
	if !validState(to) {
		return problem.InField("to", "must be %s, is %q", orList(stateWords(States())), string(to))
	}
	next := NextStates(from)
	if slices.Contains(next, to) {
		return nil
	}
	allowed := "nothing: this state is final"
	if len(next) > 0 {
		allowed = orList(stateWords(next))
	}
	return problem.New(problem.Conflict, "A job that is %s cannot become %s.", from, to).
		With("to", "from %s a job may become %s", from, allowed)
}

// inStates is Conflict unless the job is in one of the states.
func inStates(f JobFile, what string, allowed ...State) error {
	if slices.Contains(allowed, f.Job.State) {
		return nil
	}
	hint := ""
	if len(allowed) > 0 && slices.Contains(NextStates(f.Job.State), allowed[0]) {
		hint = "; move it to " + string(allowed[0]) + " first"
	}
	return problem.New(problem.Conflict, "%s while the job is %s; it is %s%s.", what,
		orList(stateWords(allowed)), f.Job.State, hint).
		With("state", "must be %s, is %s", orList(stateWords(allowed)), f.Job.State)
}

func stateWords(states []State) []string {
	out := make([]string, len(states))
	for i, s := range states {
		out[i] = strings.ToLower(string(s))
	}
	return out
}
