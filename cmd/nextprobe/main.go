// Command nextprobe is a maintenance log and fault diagnosis server for a shop
// that services battery-powered boards. This package only wires: configuration,
// store, use cases, REST and pages.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"nextprobe/internal/problem"
)

// Exit statuses (contract): 0 good, 1 failed, 2 wrong use.
const (
	exitFailed = 1
	exitUsage  = 2
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	status := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(status)
}

// usageError marks a mistake in how the command was called.
type usageError struct{ error }

// quietError ends the command with status 1 after it has printed its own answer.
var errQuiet = errors.New("failed")

func explain(err error) string {
	p := problem.As(err)
	if p == nil {
		return err.Error()
	}
	msg := p.Message
	for _, f := range p.Fields {
		msg += fmt.Sprintf("\n  %s: %s", f.Field, f.Message)
	}
	if cause := p.Unwrap(); cause != nil {
		msg += "\n  (" + cause.Error() + ")"
	}
	return msg
}
