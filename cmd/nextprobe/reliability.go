package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"nextprobe/internal/reliability"
)

// reliabilityCommands are the commands below `reliability`; a file that brings
// another adds it here.
var reliabilityCommands = []func() *cobra.Command{reliabilityLifeCommand, reliabilityEventsCommand}

func reliabilityCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "reliability", Short: "Statistics of lives and recurrent failures from any CSV file", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return usageError{errors.New("reliability: say which statistics; see 'nextprobe help reliability'")}
		}}
	for _, sub := range reliabilityCommands {
		cmd.AddCommand(sub())
	}
	return cmd
}

// openCSV opens the file named by --csv, - for standard input.
func openCSV(cmd *cobra.Command, path string) (io.ReadCloser, error) {
	switch path {
	case "":
		return nil, usageError{errors.New("--csv: name a CSV file, or - for standard input")}
	case "-":
		return io.NopCloser(cmd.InOrStdin()), nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, usageError{fmt.Errorf("--csv: %w", err)}
	}
	return f, nil
}

// figure is a number in JSON, null where there is none.
type figure float64

// MarshalJSON writes the shortest text that reads back as the same number.
func (f figure) MarshalJSON() ([]byte, error) {
	if v := float64(f); !math.IsNaN(v) && !math.IsInf(v, 0) {
		return json.Marshal(v)
	}
	return []byte("null"), nil
}

// short words a figure for people, five digits, and a dash where there is none.
func short(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	return strconv.FormatFloat(v, 'g', 5, 64)
}

// lifeOptions are the flags of `reliability life`.
type lifeOptions struct {
	csv          string
	json         bool
	confidence   float64
	shape        float64
	seed         uint64
	permutations int
}

func reliabilityLifeCommand() *cobra.Command {
	var o lifeOptions
	cmd := &cobra.Command{
		Use: "life --csv FILE", Args: cobra.NoArgs,
		Short: "Survival, Weibull and exponential life, and the comparison of groups",
		Long: `Reads a CSV file with the columns time,event[,entry][,group], one row an item:
  time   age at failure or at the end of observation, above 0, in any unit
  event  1 failed, 0 still running when observation ended
  entry  age at which the item came under observation (0 when observed from new)
  group  any text; lives are given for each group and compared`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := o.check(); err != nil {
				return err
			}
			in, err := openCSV(cmd, o.csv)
			if err != nil {
				return err
			}
			defer in.Close()
			names, lives, err := readLives(in)
			if err != nil {
				return err
			}
			answer, err := lifeAnswer(names, lives, o)
			if err != nil {
				return err
			}
			return printAnswer(cmd, o.json, answer, printLife)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.csv, "csv", "", "CSV file, or - for standard input")
	f.BoolVar(&o.json, "json", false, "print JSON")
	f.Float64Var(&o.confidence, "confidence", .95, "confidence of all bounds")
	f.Float64Var(&o.shape, "shape", 0, "Weibull shape known from elsewhere, to fit the scale alone (with few failures 1 is taken)")
	f.Uint64Var(&o.seed, "seed", 1, "seed of the random arrangements that judge small groups")
	f.IntVar(&o.permutations, "permutations", 0, "number of arrangements (0: by the size of the data)")
	return cmd
}

// printAnswer writes an answer as JSON, or as text for people.
func printAnswer[T any](cmd *cobra.Command, asJSON bool, answer T, text func(io.Writer, T) error) error {
	out := bufio.NewWriterSize(cmd.OutOrStdout(), 1<<16)
	var err error
	if asJSON {
		err = json.NewEncoder(out).Encode(answer)
	} else {
		err = text(out, answer)
	}
	return errors.Join(err, out.Flush())
}

// checkConfidence refuses a confidence that no bound can have.
func checkConfidence(confidence float64) error {
	if !(confidence > 0 && confidence < 1) {
		return usageError{fmt.Errorf("--confidence: must lie between 0 and 1, is %v", confidence)}
	}
	return nil
}

func (o lifeOptions) check() error {
	if err := checkConfidence(o.confidence); err != nil {
		return err
	}
	switch {
	case !(o.shape >= 0) || math.IsInf(o.shape, 0):
		return usageError{fmt.Errorf("--shape: must be above 0, is %v", o.shape)}
	case o.permutations < 0:
		return usageError{fmt.Errorf("--permutations: must be 0 or more, is %d", o.permutations)}
	}
	return nil
}

// readLives reads the table into one life a group, groups in order of their names.
func readLives(in io.Reader) (names []string, lives []*reliability.Life, err error) {
	t, err := openTable(in, []string{"time", "event"}, []string{"entry", "group"})
	if err != nil {
		return nil, nil, err
	}
	var c reliability.Columns
	var group []int
	places := map[string]int{}
	for {
		more, err := t.next()
		if err != nil {
			return nil, nil, err
		}
		if !more {
			break
		}
		time, event, entry := readLife(t)
		name := t.text("group")
		place, there := places[name]
		if !there {
			// A row's text shares its memory with the whole row.
			name = strings.Clone(name)
			place = len(names)
			places[name] = place
			names = append(names, name)
		}
		c.Time, c.Event, group = append(c.Time, time), append(c.Event, event), append(group, place)
		if t.has("entry") {
			c.Entry = append(c.Entry, entry)
		}
	}
	if len(c.Time) == 0 && t.complaint() == nil {
		t.note("line 2", "there are no rows below the header")
	}
	if err := t.complaint(); err != nil {
		return nil, nil, err
	}
	order := slices.Clone(names)
	slices.Sort(order)
	for row, place := range group {
		group[row], _ = slices.BinarySearch(order, names[place])
	}
	lives, err = reliability.NewLives(c, group, len(order))
	return order, lives, err
}

// readLife reads one row; what is wrong with it is noted in the table.
func readLife(t *csvTable) (time float64, event int, entry float64) {
	time, good := t.number("time")
	switch text := t.text("event"); text {
	case "1":
		event = 1
	case "0":
	default:
		t.wrong("event", "must be 1 for a failure or 0 for the end of observation, is %q", text)
	}
	if t.has("entry") {
		var known bool
		entry, known = t.number("entry")
		good = good && known
	}
	if !good {
		return time, event, entry
	}
	if column, message := reliability.CheckRow(time, event, entry); column != "" {
		t.wrong(column, "%s", message)
	}
	return time, event, entry
}
