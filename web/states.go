package web

import (
	"slices"

	"nextprobe/internal/shop"
)

// stateActions words the step to a state as what the person does.
var stateActions = map[shop.State]string{
	shop.Diagnosing: "Start diagnosing", shop.AwaitingApproval: "Wait for approval", shop.AwaitingParts: "Wait for parts",
	shop.Repairing: "Start repairing", shop.Verifying: "Start verifying", shop.Ready: "Mark ready",
	shop.Returned: "Hand back", shop.Declined: "Owner declines", shop.Scrapped: "Scrap",
}

// forward is the usual next step; it is the button that stands out.
var forward = map[shop.State]shop.State{
	shop.Received: shop.Diagnosing, shop.Diagnosing: shop.Repairing, shop.AwaitingApproval: shop.Repairing, shop.AwaitingParts: shop.Repairing,
	shop.Repairing: shop.Verifying, shop.Verifying: shop.Ready, shop.Ready: shop.Returned, shop.Declined: shop.Returned,
}

// counterMoves are what is settled with the owner of the board and not at the bench.
var counterMoves = []shop.State{shop.Received, shop.AwaitingApproval, shop.Declined, shop.Returned}

// stateMoves are the buttons a person sees; the use cases have the last word.
func stateMoves(s shop.State, role shop.Role) []StateMove {
	var out []StateMove
	for _, to := range shop.NextStates(s) {
		if role == shop.Counter && !contains(counterMoves, to) {
			continue
		}
		out = append(out, StateMove{To: to, Label: stateActions[to], Primary: to == forward[s]})
	}
	// The first button is what the Enter key presses: it must be the usual way on.
	slices.SortStableFunc(out, func(a, b StateMove) int {
		switch {
		case a.Primary == b.Primary:
			return 0
		case a.Primary:
			return -1
		}
		return 1
	})
	return out
}
