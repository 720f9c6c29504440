package shop

import (
	"slices"
	"strings"
	"testing"

	"nextprobe/internal/problem"
)

func TestStateMachine(t *testing.T) {
	t.Parallel()
	allowed := map[State]string{
		Received:         "diagnosing declined scrapped",
		Diagnosing:       "awaiting_approval awaiting_parts repairing verifying declined scrapped",
		AwaitingApproval: "diagnosing awaiting_parts repairing declined scrapped",
		AwaitingParts:    "diagnosing awaiting_approval repairing declined scrapped",
		Repairing:        "diagnosing awaiting_approval awaiting_parts verifying scrapped",
		Verifying:        "diagnosing repairing ready",
		Ready:            "returned verifying diagnosing",
		Declined:         "returned diagnosing",
		Returned:         "",
		Scrapped:         "",
	}
	if len(States()) != len(allowed) {
		t.Fatalf("%d states, want %d", len(States()), len(allowed))
	}
	for _, from := range States() {
		next := strings.Fields(allowed[from])
		if got := stateWords(NextStates(from)); !slices.Equal(got, next) && len(got)+len(next) > 0 {
			t.Errorf("from %s: %v, want %v", from, got, next)
		}
		for _, to := range States() {
			err := checkMove(from, to)
			if want := slices.Contains(next, string(to)); want != (err == nil) {
				t.Errorf("%s to %s: %v", from, to, err)
			}
			if err == nil {
				continue
			}
			e := problem.As(err)
			if e.Code != problem.Conflict || len(e.Fields) != 1 || e.Fields[0].Field != "to" {
				t.Errorf("%s to %s: %v, want a conflict in field to", from, to, err)
			}
			for _, word := range next {
				if !strings.Contains(e.Fields[0].Message, word) {
					t.Errorf("%s to %s: %q does not name %s", from, to, e.Fields[0].Message, word)
				}
			}
		}
		if from.Open() != (from != Returned && from != Scrapped) {
			t.Errorf("%s.Open() is %v", from, from.Open())
		}
	}
	if err := checkMove(Received, "lost"); !problem.Is(err, problem.Invalid) {
		t.Errorf("an unknown state: %v", err)
	}
	if State("").Open() || State("lost").Open() {
		t.Error("an unknown state counts as open")
	}
}

func TestReasonsNeeded(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		from, to State
		want     bool
	}{
		{Diagnosing, Declined, true}, {Repairing, Scrapped, true}, {Ready, Verifying, true}, {Ready, Diagnosing, true},
		{Ready, Returned, false}, {Verifying, Ready, false}, {Diagnosing, Repairing, false}, {Declined, Returned, false},
	} {
		if got := needsReason(tc.from, tc.to); got != tc.want {
			t.Errorf("%s to %s: %v", tc.from, tc.to, got)
		}
	}
}

func TestRights(t *testing.T) {
	t.Parallel()
	who := map[right]string{
		mayRead: "owner technician counter", mayIntake: "owner technician counter", mayBench: "owner technician",
		mayStock: "owner technician", mayInstruments: "owner technician", mayPeople: "owner", mayLibrary: "owner", mayShop: "owner", mayLearn: "owner", mayAlerts: "owner",
	}
	if len(who) != len(rights) {
		t.Fatalf("%d rights, want %d", len(rights), len(who))
	}
	for r, roles := range who {
		for _, role := range []Role{Owner, Technician, Counter, "", "guest"} {
			err := Actor{Role: role}.may(r)
			want := slices.Contains(strings.Fields(roles), string(role))
			if (err == nil) != want {
				t.Errorf("right %d, role %q: %v", r, role, err)
			}
			if err != nil && (!problem.Is(err, problem.Forbidden) || !strings.Contains(err.Error(), strings.Fields(roles)[0])) {
				t.Errorf("right %d, role %q: %v does not name the role needed", r, role, err)
			}
		}
	}
	for _, to := range States() {
		want := to == Received || to == AwaitingApproval || to == Declined || to == Returned
		if err := (Actor{Role: Counter}).mayMove(to); (err == nil) != want {
			t.Errorf("the counter moving to %s: %v", to, err)
		}
		if err := (Actor{Role: Technician}).mayMove(to); err != nil {
			t.Errorf("the technician moving to %s: %v", to, err)
		}
	}
}

func TestTexts(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, in string
		lo, hi   int
		lines    bool
		bad      bool
	}{
		{"plain", " A-1 ", 1, 3, false, false},
		{"empty", "   ", 1, 3, false, true},
		{"optional", "", 0, 3, false, false},
		{"too long", "abcd", 1, 3, false, true},
		{"characters, not bytes", "äöü", 1, 3, false, false},
		{"a bell", "a\ab", 1, 9, false, true},
		{"a NUL in a note", "a\x00b", 0, 9, true, true},
		{"a new line in one line", "a\nb", 1, 9, false, true},
		{"a new line in a note", "a\nb", 1, 9, true, false},
		{"no UTF-8", "a\xff", 1, 9, false, true},
	} {
		var c checker
		got := c.text("f", tc.in, tc.lo, tc.hi, tc.lines)
		if (len(c.fields) > 0) != tc.bad {
			t.Errorf("%s: %v", tc.name, c.fields)
		}
		if !tc.bad && got != strings.TrimSpace(tc.in) {
			t.Errorf("%s: %q is not trimmed", tc.name, got)
		}
	}
}

func TestRecurrenceSentence(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name string
		g    GroupCount
		at   int
		want string
	}{
		// Rates and bounds computed in R 4: poisson.test(3, 4.1), poisson.test(20, 40).
		{"few", GroupCount{Failures: 3, Boards: 2, BoardDays: 4.1 * 365.25}, 0,
			"3 failures on 2 boards in 4.1 board-years: 0.73 a year per board, 95 % bounds 0.15 to 2.1; few data, wide bounds."},
		{"many", GroupCount{Failures: 20, Boards: 12, BoardDays: 40 * 365.25}, 0,
			"20 failures on 12 boards in 40 board-years: 0.5 a year per board, 95 % bounds 0.31 to 0.77."},
		{"none", GroupCount{DistanceKM: 10_000, Carriers: 6}, 1,
			"No failure on 6 boards in 10 thousand km: 0 per 1000 km, 95 % bounds 0 to 0.37; few data, wide bounds."},
		// The three of "few" and two that were there at first contact.
		{"there before", GroupCount{Failures: 5, AtEntry: 2, Boards: 4, BoardDays: 4.1 * 365.25}, 0,
			"5 failures on 4 boards, 2 there when first seen; the other 3 in 4.1 board-years: 0.73 a year per board, 95 % bounds 0.15 to 2.1; few data, wide bounds."},
		{"all there before", GroupCount{Failures: 2, AtEntry: 2, Boards: 2, DistanceKM: 10_000, Carriers: 6}, 1,
			"2 failures on 2 boards, there when first seen; none since in 10 thousand km: 0 per 1000 km, 95 % bounds 0 to 0.37; few data, wide bounds."},
		{"no exposure", GroupCount{Failures: 1, Boards: 1}, 1,
			"1 failure on 1 board; no exposure is known in this time (thousand km), so there is no rate."},
	} {
		row, err := recurrenceRow(tc.g, 40, tc.at)
		if err != nil {
			t.Fatal(err)
		}
		if row.Sentence != tc.want {
			t.Errorf("%s:\n got %s\nwant %s", tc.name, row.Sentence, tc.want)
		}
		if (row.Rate == nil) != (tc.name == "no exposure") {
			t.Errorf("%s: rate %v", tc.name, row.Rate)
		}
	}
}

func TestTimeGoesOnWithinAJob(t *testing.T) {
	t.Parallel()
	f := JobFile{Job: Job{UpdatedAt: at(5)}}
	if got := moment(at(6), f); !got.Equal(at(6)) {
		t.Errorf("a later clock gives %v", got)
	}
	for _, now := range []int{5, 3} {
		if got := moment(at(now), f); !got.After(at(5)) {
			t.Errorf("a clock at minute %d gives %v, which is not after the last change", now, got)
		}
	}
}

func TestAttemptsAreLimited(t *testing.T) {
	t.Parallel()
	tries := newAttempts()
	now := at(0)
	for i := range maxAttempts {
		if !tries.allow("a", now) {
			t.Fatalf("attempt %d was refused", i+1)
		}
	}
	if tries.allow("a", now) {
		t.Error("one attempt too many was let through")
	}
	if !tries.allow("b", now) {
		t.Error("another login was refused")
	}
	if !tries.allow("a", now.Add(attemptWindow)) {
		t.Error("after the window the login is still closed")
	}
	tries.clear("a")
	if len(tries.at["a"]) != 0 {
		t.Error("a sign-in did not clear the count")
	}
}
