package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"nextprobe/internal/diagnosis"
	"nextprobe/internal/faultlib"
	"nextprobe/internal/problem"
	"nextprobe/internal/shop"
)

// treeRate is the labour rate that trees without a shop reckon with, in minor
// units per hour, as library infer does.
const treeRate = 6000

// treeFormats are the forms a tree is printed in.
var treeFormats = []string{"text", "json", "dot"}

func libraryTreeCommand() *cobra.Command {
	var path, format string
	var in shop.TreeInput
	var depth int
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "tree --symptoms A,B",
		Short: "Compile the next-step policy into a decision tree, without a database",
		Long: "Compile the next-step policy for a complaint into a decision tree whose equal places are merged: as text, as JSON, or as a diagram " +
			"in the language of Graphviz. Costs are in minor units at 60.00 an hour of labour. The same input gives the same bytes on the same day.",
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if asJSON {
				if cmd.Flags().Changed("format") && format != "json" {
					return usageError{fmt.Errorf("--json and --format %s exclude each other", format)}
				}
				format = "json"
			}
			if !slices.Contains(treeFormats, format) {
				return usageError{fmt.Errorf("--format: %q; give one of %s", format, strings.Join(treeFormats, ", "))}
			}
			lib, err := loadLibrary(cmd, path)
			if err != nil {
				return err
			}
			in.Depth = &depth
			tree, err := shop.CompileTree(lib, in, shop.TreeSetting{LabourPerHour: treeRate, Date: time.Now().Format(time.DateOnly), Interrupted: cmd.Context().Err})
			if err != nil {
				return err
			}
			return printTree(cmd.OutOrStdout(), tree, format, asJSON)
		},
	}
	cmd.Flags().StringVar(&path, "library", "", "library file (default: the embedded edition)")
	cmd.Flags().StringSliceVar(&in.Symptoms, "symptoms", nil, "symptoms that are present, separated by commas")
	cmd.Flags().StringSliceVar(&in.Absent, "absent", nil, "symptoms that were asked and are not there")
	cmd.Flags().StringSliceVar(&in.Exposures, "exposures", nil, "how the board was used, of "+exposureNames()+": each brings its symptom, as at intake")
	cmd.Flags().StringToStringVar(&in.Facts, "facts", nil, "board facts, such as motor_plug=external")
	cmd.Flags().IntVar(&depth, "depth", diagnosis.DefaultTreeDepth, fmt.Sprintf("most measurements on one way, 1 to %d", diagnosis.MaxTreeDepth))
	cmd.Flags().StringVar(&format, "format", "text", "text, json or dot")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print compact JSON")
	return cmd
}

func exposureNames() string {
	var ids []string
	for _, e := range faultlib.Exposures() {
		ids = append(ids, e.ID)
	}
	return strings.Join(ids, ", ")
}

func printTree(out io.Writer, tree shop.Tree, format string, compact bool) error {
	var err error
	switch format {
	case "dot":
		_, err = out.Write(tree.DOT())
	case "text":
		_, err = out.Write(tree.Plain())
	default:
		err = printJSON(out, tree, compact)
	}
	return err
}

func printJSON(out io.Writer, v any, compact bool) error {
	enc := json.NewEncoder(out)
	if !compact {
		enc.SetIndent("", "  ")
	}
	return enc.Encode(v)
}

// loadLibrary reads and checks a library file; its mistakes go to standard error.
func loadLibrary(cmd *cobra.Command, path string) (*faultlib.Library, error) {
	content, err := readLibrary(path)
	if err != nil {
		return nil, err
	}
	lib, issues := faultlib.Load(content)
	if lib == nil {
		_ = printIssues(cmd.ErrOrStderr(), nil, issues, false)
		return nil, problem.New(problem.Invalid, "The library has errors.")
	}
	return lib, nil
}

func libraryTestabilityCommand() *cobra.Command {
	var path string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "testability",
		Short: "Judge what a fault library can tell: detected, isolated, ambiguous, masked, and what never pays",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			lib, err := loadLibrary(cmd, path)
			if err != nil {
				return err
			}
			told, err := lib.Testability(nil, cmd.Context().Err)
			if err != nil {
				return err
			}
			report := shop.WordTestability(lib, told)
			if asJSON {
				return printJSON(cmd.OutOrStdout(), report, true)
			}
			return printTestability(cmd.OutOrStdout(), report)
		},
	}
	cmd.Flags().StringVar(&path, "library", "", "library file (default: the embedded edition)")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func printTestability(out io.Writer, r shop.Testability) error {
	var b strings.Builder
	fmt.Fprintf(&b, "Library edition %d: %d causes, %d measurements. %s\n\n", r.Edition, r.Causes, r.Measurements, r.Method)
	fmt.Fprintf(&b, "%-28s %10s %12s\n", "", "weighted", "unweighted")
	for _, row := range []struct {
		name  string
		share shop.TestabilityShare
	}{
		{"detected", r.Detected}, {"detected by measurements", r.DetectedByMeasurements},
		{"isolated to one cause", r.IsolatedToOne}, {"isolated to at most two", r.IsolatedToTwo},
	} {
		fmt.Fprintf(&b, "%-28s %8.1f %% %10.1f %%\n", row.name, 100*row.share.Weighted, 100*row.share.Unweighted)
	}
	section(&b, "Not detected", r.Undetected, func(c shop.TestabilityRef) string { return c.Name })
	section(&b, "Ambiguity groups", r.Groups, func(g shop.TestabilityGroup) string {
		return refNames(g.Causes) + "\n    " + strings.Join(g.Advice, "\n    ")
	})
	section(&b, "Pairs that no measurement separates", r.Pairs, func(p shop.TestabilityPair) string {
		line := p.A.Name + " / " + p.B.Name
		if p.Symptom != nil {
			line += "; a symptom does: " + p.Symptom.Name
		}
		return line
	})
	section(&b, "Masked causes", r.Masked, func(m shop.TestabilityMasked) string { return m.Cause.Name + ", by: " + refNames(m.By) })
	section(&b, fmt.Sprintf("Never advised on %d boards with one fault", r.Boards), r.Idle, func(i shop.TestabilityIdle) string {
		line := i.Name
		if i.Pays {
			line += ": others always told more"
		} else {
			line += ": it never saved what it costs"
		}
		if len(i.Needed) > 0 {
			line += "; but it " + strings.Join(i.Needed, ", ")
		}
		return line
	})
	_, err := io.WriteString(out, b.String())
	return err
}

func section[T any](b *strings.Builder, title string, list []T, line func(T) string) {
	fmt.Fprintf(b, "\n%s: %d\n", title, len(list))
	for _, x := range list {
		fmt.Fprintf(b, "  - %s\n", line(x))
	}
}

func refNames(list []shop.TestabilityRef) string {
	names := make([]string, len(list))
	for i, r := range list {
		names[i] = r.Name
	}
	return strings.Join(names, ", ")
}
