package main

import (
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"nextprobe/internal/demo"
	"nextprobe/internal/shop"
)

func demoCommand() *cobra.Command {
	var fillOnly bool
	cmd := &cobra.Command{
		Use: "demo", Short: "Fill a shop with invented data once and serve it", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return asServer(cmd, "Demo shop", func(a *app, svc *shop.Service, s shop.Shop) error {
				if err := a.fillDemo(cmd, s); err != nil {
					return err
				}
				if fillOnly {
					return nil
				}
				return a.serve(cmd.Context(), svc, s, func(addr string) error {
					_, err := fmt.Fprintf(cmd.OutOrStdout(), `nextprobe demo serves at %s
Sign in:  %-8s %s   (owner)
          %-8s %s   (technician)
          %-8s %s       (counter)
Stop with Ctrl-C. All data is invented.
`, addr, demo.OwnerLogin, demo.OwnerPassword, demo.TechnicianLogin, demo.TechnicianPassword, demo.CounterLogin, demo.CounterPassword)
					return err
				})
			})
		},
	}
	cmd.Flags().BoolVar(&fillOnly, "fill-only", false, "fill the shop and stop")
	return cmd
}

// fillDemo fills the shop through use cases that run on a back-dated clock.
func (a *app) fillDemo(cmd *cobra.Command, s shop.Shop) error {
	now := time.Now().UTC().Truncate(time.Minute)
	clock := demo.NewClock(now)
	owner := shop.Actor{ShopID: s.ID, Name: "demo", Role: shop.Owner}
	began := time.Now()
	sum, err := demo.Fill(cmd.Context(), shop.New(a.store, shop.Options{Now: clock.Now}), clock, owner, now)
	if err != nil {
		return fmt.Errorf("fill the demo shop: %w", err)
	}
	if !sum.Skipped {
		fmt.Fprintf(cmd.ErrOrStderr(), "Demo shop filled in %.0f s: %d boards, %d jobs (%d still open), %d faults, %d comebacks.\n",
			time.Since(began).Seconds(), sum.Boards, sum.Jobs, sum.StillOpen, sum.Faults, sum.Comebacks)
	}
	return nil
}
