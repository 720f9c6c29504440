// Command pgteststop ends the Postgres that the tests share, unless a test run
// still uses it.
package main

import (
	"context"
	"fmt"
	"os"
	"time"

	"nextprobe/store/pgtest"
)

func main() {
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	stopped, err := pgtest.Stop(ctx)
	if err != nil {
		fmt.Fprintln(os.Stderr, "pgteststop:", err)
		cancel()
		os.Exit(1) //nolint:gocritic // The deferred cancel has been called by hand.
	}
	if !stopped {
		fmt.Fprintln(os.Stderr, "pgteststop: another test run uses the server; left running")
	}
}
