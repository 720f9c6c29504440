package web

import (
	"net/url"
	"strings"
	"testing"

	"nextprobe/internal/shop"
)

// A doubtful reading is asked for once more, with the reason: what it said, how
// doubtful it is, what would be done without the second look. Saved the same
// again, it is followed.
func TestBenchAsksForASecondLook(t *testing.T) {
	t.Parallel()
	svc, owner, c := atRealShop(t)
	board, err := svc.AddBoard(t.Context(), owner, shop.BoardInput{Serial: "OB-21"})
	if err != nil {
		t.Fatal(err)
	}
	job, err := svc.OpenJob(t.Context(), owner, shop.JobInput{BoardID: board.ID, Complaint: "Grinds.", Symptoms: []string{"grinding_noise"}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := svc.MoveJob(t.Context(), owner, job.ID, shop.Diagnosing, ""); err != nil {
		t.Fatal(err)
	}
	bench := "/jobs/" + job.ID.String()
	for _, x := range [][2]string{{"pack_heat_triage", "normal"}, {"wheel_hand_spin", "lumpy_drag"}, {"fault_log_read", "none"}, {"motor_ident", "consistent"}, {"bearing_play", "tight"}} {
		if _, err := svc.Observe(t.Context(), owner, job.ID, shop.ObservationInput{Measurement: x[0], Outcome: x[1]}); err != nil {
			t.Fatal(err)
		}
	}
	a := c.get(bench)
	checkPage(t, a)
	for _, want := range []string{"Take “Wheel turned by hand, power off” again before repairing “Magnet detached or cracked”", "Its one result, “hard spots in every part of a turn”, is not what the other findings let one expect", "with a probability of about"} {
		if got := a.one("p.advice"); !strings.Contains(got, want) {
			t.Errorf("the advice %q does not say %q", got, want)
		}
	}
	card := text(a.nodes("section.card")[0])
	for _, want := range []string{"Take this again", "Wheel turned by hand, power off", "Fingers clear of spokes", "Taken before: hard spots in every part of a turn", "The same result again settles it", "expected"} {
		if !strings.Contains(card, want) {
			t.Errorf("the card does not say %q: %s", want, card)
		}
	}
	a = c.follow(bench+"/observations", url.Values{"measurement": {"wheel_hand_spin"}, "outcome": {"lumpy_drag"}})
	checkPage(t, a)
	if got := a.one("p.advice"); strings.Contains(got, "again") || !strings.Contains(got, "Magnet detached or cracked") {
		t.Errorf("after the same result the advice is %q", got)
	}
	if strings.Contains(a.Body, "Take this again") {
		t.Error("a third look is asked for")
	}
}
