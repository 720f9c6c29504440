package main

import (
	"context"
	"fmt"
	"io"
	"runtime"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

const confirmPairs = 150

// confirming times the confirmation of a fault in a long history beside a short one,
// in turns: through the use case, and the write alone.
func confirming(ctx context.Context, small, large *bench, out io.Writer) error {
	sides := []*bench{small, large}
	var jobs [2][]shop.ID
	for i, b := range sides {
		b.svc = shop.New(b.store, shop.Options{Now: func() time.Time { return end.Add(time.Minute) }})
		var err error
		if jobs[i], err = b.openJobs(ctx, confirmPairs); err != nil {
			return err
		}
	}
	var use, write [2][]time.Duration
	for n := range confirmPairs {
		for turn := range sides {
			i := (turn + n) % 2 // who begins changes
			b, job := sides[i], jobs[i][n]
			// Else one side would pay for collecting the other's garbage.
			runtime.GC()
			began := time.Now()
			if _, err := b.svc.ConfirmFault(ctx, b.actor, job, shop.FaultInput{Cause: "bearing_worn"}); err != nil {
				return fmt.Errorf("confirm: %w", err)
			}
			use[i] = append(use[i], time.Since(began))
			took, err := b.writeFault(ctx, job)
			if err != nil {
				return fmt.Errorf("write: %w", err)
			}
			write[i] = append(write[i], took)
		}
	}
	fmt.Fprintln(out, "| confirming a fault | short history p50 | p95 | long history p50 | p95 | ratio of p50 |")
	fmt.Fprintln(out, "|---|---|---|---|---|---|")
	for _, r := range []struct {
		name  string
		times [2][]time.Duration
	}{{"use case (with its diagnosis)", use}, {"the write alone", write}} {
		s50, s95 := quantiles(r.times[0])
		l50, l95 := quantiles(r.times[1])
		fmt.Fprintf(out, "| %s | %s | %s | %s | %s | %.2f |\n", r.name, milli(s50), milli(s95), milli(l50), milli(l95), float64(l50)/float64(s50))
	}
	fmt.Fprintln(out)
	return nil
}

// openJobs opens jobs on boards spread over the shop that have none open.
func (b *bench) openJobs(ctx context.Context, n int) ([]shop.ID, error) {
	conn, err := pgx.Connect(ctx, b.url)
	if err != nil {
		return nil, err
	}
	defer func() { _ = conn.Close(ctx) }()
	rows, err := conn.Query(ctx, `
select id from boards b where shop_id = $1 and not exists (select from jobs j where j.shop_id = b.shop_id and j.board_id = b.id
   and j.state <> 'returned') order by md5(id::text) limit $2`, b.actor.ShopID, n)
	if err != nil {
		return nil, err
	}
	boards, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	if err != nil {
		return nil, err
	}
	if len(boards) < n {
		return nil, fmt.Errorf("only %d boards are without an open job", len(boards))
	}
	var jobs []shop.ID
	for _, id := range boards {
		job, err := b.svc.OpenJob(ctx, b.actor, shop.JobInput{BoardID: id, Complaint: "Stutters after rain", Symptoms: []string{"stutter_at_start"}})
		if err != nil {
			return nil, err
		}
		if _, err := b.svc.MoveJob(ctx, b.actor, job.ID, shop.Diagnosing, ""); err != nil {
			return nil, err
		}
		jobs = append(jobs, job.ID)
	}
	return jobs, nil
}

// writeFault records a second fault as the store alone does it.
func (b *bench) writeFault(ctx context.Context, id shop.ID) (time.Duration, error) {
	file, err := b.store.JobFile(ctx, b.actor.ShopID, id)
	if err != nil {
		return 0, err
	}
	at := end.Add(time.Minute)
	c := shop.JobChange{JobID: id, Version: file.Job.Version, At: at, By: "bench",
		Fault: &shop.Fault{ID: uuid.Must(uuid.NewV7()), JobID: id, Cause: "bearing_corroded", Component: "wheel_bearing", FailureMode: "corroded", Probability: 0.9, At: at, By: "bench"},
		Audit: shop.AuditEvent{ID: uuid.Must(uuid.NewV7()), At: at, By: "bench", ActorID: b.actor.ShopID, Action: "fault.confirm", SubjectKind: "job", SubjectID: id}}
	began := time.Now()
	_, err = b.store.ChangeJob(ctx, b.actor.ShopID, c)
	return time.Since(began), err
}
