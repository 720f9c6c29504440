package store_test

import (
	"testing"

	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
	"nextprobe/store/storetest"
)

// Two shops hold the same serials, numbers, names and the same library. Neither
// sees or touches anything of the other.
func TestShopsNeverMeet(t *testing.T) {
	t.Parallel()
	s := storetest.New(t)
	a, b := newBench(t, s, "alpha"), newBench(t, s, "beta")
	ctx := a.ctx
	for _, x := range []*bench{a, b} {
		x.ok(s.AddUser(ctx, x.shop.ID, shop.User{ID: newID(), Login: "kim", Name: "Kim of " + x.shop.Slug, Role: shop.Owner,
			PasswordHash: "x", CreatedAt: t0}, x.audit("user.add", newID())))
	}
	con := shop.Connector{ID: newID(), BoardID: a.board.ID, Place: "left", Family: "M", Polarity: "unknown", FittedAt: days(-100), Version: 1}
	a.ok(s.AddConnector(ctx, a.shop.ID, con, a.audit("connector.add", con.ID)))
	ja := a.openJob(a.board.ID, days(-10), nil)
	jb := b.openJob(b.board.ID, days(-10), nil)
	if ja.Number != 1 || jb.Number != 1 {
		t.Errorf("numbers %d and %d; each shop counts from 1", ja.Number, jb.Number)
	}
	fault := a.confirm(&ja, "motor_connector", days(-9), nil)

	t.Run("reads name nothing of the other", func(t *testing.T) {
		_, err := s.BoardFile(ctx, b.shop.ID, a.board.ID)
		refused(t, err, problem.NotFound, "")
		_, err = s.BoardJobs(ctx, b.shop.ID, a.board.ID)
		refused(t, err, problem.NotFound, "")
		_, err = s.JobFile(ctx, b.shop.ID, ja.ID)
		refused(t, err, problem.NotFound, "")
		_, err = s.Part(ctx, b.shop.ID, a.part.ID)
		refused(t, err, problem.NotFound, "")
		_, err = s.Connector(ctx, b.shop.ID, con.ID)
		refused(t, err, problem.NotFound, "")
		_, _, err = s.LibraryContent(ctx, b.shop.ID, a.library.ID)
		refused(t, err, problem.NotFound, "")
		users, err := s.Users(ctx, b.shop.ID)
		b.ok(err)
		if len(users) != 1 || users[0].Name != "Kim of beta" {
			t.Errorf("users %+v", users)
		}
		_, err = s.UserByID(ctx, a.shop.ID, users[0].ID)
		refused(t, err, problem.NotFound, "")
		id, err := s.JobByNumber(ctx, b.shop.ID, 1)
		b.ok(err)
		if id != jb.ID {
			t.Error("number 1 of beta is a job of alpha")
		}
		snaps, err := s.Snapshots(ctx, b.shop.ID, ja.ID)
		b.ok(err)
		log, err := s.Audit(ctx, b.shop.ID, ja.ID, shop.Page{})
		b.ok(err)
		moves, err := s.Movements(ctx, b.shop.ID, a.part.ID, shop.Page{})
		b.ok(err)
		faults, err := s.FaultsOfBoardSince(ctx, b.shop.ID, a.board.ID, days(-400))
		b.ok(err)
		if len(snaps)+len(log.Items)+len(moves.Items)+len(faults) > 0 {
			t.Error("beta reads records of alpha")
		}
	})
	t.Run("lists hold one shop", func(t *testing.T) {
		for _, x := range []*bench{a, b} {
			boards, err := s.Boards(ctx, x.shop.ID, shop.BoardFilter{Query: "np-0001"})
			x.ok(err)
			parts, err := s.Parts(ctx, x.shop.ID, shop.PartFilter{Query: "mc-3"})
			x.ok(err)
			jobs, err := s.Jobs(ctx, x.shop.ID, shop.JobFilter{})
			x.ok(err)
			libs, err := s.Libraries(ctx, x.shop.ID)
			x.ok(err)
			if len(boards.Items) != 1 || boards.Items[0].ID != x.board.ID || len(parts.Items) != 1 || parts.Items[0].ID != x.part.ID ||
				len(jobs.Items) != 1 || jobs.Items[0].Job.BoardID != x.board.ID || len(libs) != 1 || libs[0].ID != x.library.ID {
				t.Errorf("%s sees %+v %+v %+v %+v", x.shop.Slug, boards, parts, jobs, libs)
			}
		}
	})
	t.Run("writes reach nothing of the other", func(t *testing.T) {
		_, err := s.UpdateBoard(ctx, b.shop.ID, a.board, b.audit("board.edit", a.board.ID))
		refused(t, err, problem.NotFound, "")
		_, err = s.UpdatePart(ctx, b.shop.ID, a.part, b.audit("part.edit", a.part.ID))
		refused(t, err, problem.NotFound, "")
		_, err = s.UpdateConnector(ctx, b.shop.ID, con, b.audit("connector.edit", con.ID))
		refused(t, err, problem.NotFound, "")
		_, err = s.Move(ctx, b.shop.ID, shop.Movement{PartID: a.part.ID, Quantity: 1, Reason: "received", At: t0}, b.audit("part.move", a.part.ID))
		refused(t, err, problem.NotFound, "")
		_, err = s.ChangeJob(ctx, b.shop.ID, shop.JobChange{JobID: ja.ID, Version: ja.Version, At: t0, Audit: b.audit("job.change", ja.ID)})
		refused(t, err, problem.NotFound, "")
		err = b.tryChange(&jb, t0, func(c *shop.JobChange) {
			c.Fault = &shop.Fault{ID: newID(), Cause: "x.y", Component: "x", ConnectorID: &con.ID}
		})
		refused(t, err, problem.Invalid, "connector_id")
		err = b.tryChange(&jb, t0, func(c *shop.JobChange) {
			c.Repair = &shop.Repair{ID: newID(), FaultID: fault.ID, Action: "mend"}
		})
		refused(t, err, problem.Invalid, "fault_id")
		n := b.newJob(a.board.ID, t0, nil)
		_, err = s.AddJob(ctx, b.shop.ID, n)
		refused(t, err, problem.Invalid, "board_id")
		board := shop.Board{ID: newID(), Serial: "X", Owner: &shop.Customer{ID: newID()}, CreatedAt: t0}
		refused(t, s.AddBoard(ctx, b.shop.ID, board, b.audit("board.create", board.ID)), problem.Invalid, "owner.id")
	})
	t.Run("the report counts one shop", func(t *testing.T) {
		q := shop.RecurrenceQuery{Group: shop.ByComponent, From: days(-365), To: days(1), Now: t0}
		rows, err := s.Recurrence(ctx, a.shop.ID, q)
		a.ok(err)
		if len(rows) != 1 || rows[0].Failures != 1 || rows[0].Carriers != 1 {
			t.Errorf("alpha %+v", rows)
		}
		for _, g := range []shop.RecurrenceGroup{shop.ByComponent, shop.ByConnectorFamily, shop.ByPart, shop.ByAction} {
			q.Group = g
			rows, err = s.Recurrence(ctx, b.shop.ID, q)
			b.ok(err)
			if len(rows) > 0 {
				t.Errorf("beta by %s %+v", g, rows)
			}
		}
		events, err := s.RecurrenceEvents(ctx, b.shop.ID, shop.RecurrenceQuery{Group: shop.ByComponent, From: days(-365), To: days(1)}, "motor_connector")
		b.ok(err)
		if len(events) > 0 {
			t.Errorf("beta sees %+v", events)
		}
	})
	t.Run("idempotency keys are a shop's own", func(t *testing.T) {
		for _, x := range []*bench{a, b} {
			r, err := s.Claim(ctx, x.shop.ID, "same-key", []byte(x.shop.Slug), t0)
			if r != nil || err != nil {
				t.Errorf("%s: %v, %v", x.shop.Slug, r, err)
			}
		}
	})
}
