package shop

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"nextprobe/internal/diagnosis"
)

// The scale of a weight of evidence in words: the bands of Kass and Raftery 1995
// ("Bayes factors", J. Am. Stat. Assoc. 90, 773–795), which they give for twice
// the natural logarithm of the factor. Decibans are ten times its common
// logarithm (Good 1950), so that x there is 5·log10(e)·x decibans.
// Their "not worth more than a bare mention" is slight here and their "positive"
// moderate, because a weight may speak against as well.
var strengths = []struct {
	twiceLog float64 // the band's upper end
	word     string
}{
	{2, "slight"}, {6, "moderate"}, {10, "strong"}, {math.Inf(1), "very strong"},
}

// bandEnd is the upper end of a band in decibans.
func bandEnd(twiceLog float64) float64 { return 5 * math.Log10E * twiceLog }

// strength words a weight of evidence in decibans, whichever way it points.
func strength(decibans float64) string {
	for _, s := range strengths {
		if math.Abs(decibans) < bandEnd(s.twiceLog) {
			return s.word
		}
	}
	return strengths[len(strengths)-1].word
}

// strengthScale says how the weights are to be read.
func strengthScale() string {
	return fmt.Sprintf("dB are decibans: ten times the common logarithm of the factor by which one observation changes the odds of a cause, all others staying (Good 1950). "+
		"Below %.1f dB slight, below %.1f moderate, below %.1f strong, above that very strong (bands of Kass and Raftery 1995).",
		bandEnd(strengths[0].twiceLog), bandEnd(strengths[1].twiceLog), bandEnd(strengths[2].twiceLog))
}

const (
	// leastSaid is the least weight that a sentence names: about what people can
	// just tell apart is one deciban (Good 1950).
	leastSaid = 1
	// mostSaid is how many observations a sentence names before it counts the rest.
	mostSaid = 4
	// briefSaid is how many where it is read in a glance.
	briefSaid = 2
	// clearly is by how many decibans two weights must differ for a sentence to
	// say that they do: a factor of two.
	clearly = 3
)

// weighed is an observation, as a sentence names it, with its weight for a cause.
type weighed struct {
	id       ID
	name     string
	decibans float64
}

// overlap is a group of observations whose weights do not add up: alone is what
// each is worth without the others, joint what all are worth together.
type overlap struct {
	names []string
	alone []float64
	joint float64
	// apart: they say something only together.
	apart bool
}

// unexplained is an abnormal observation that a cause does not account for, with
// the cause that would.
type unexplained struct {
	name, by string
}

// look is something that would show a cause and was not looked at.
type look struct {
	measurement, name string
	shows             float64 // P(abnormal | only this cause)
	cannot            bool    // it cannot be measured here
}

// causeCase is all that an argument about one cause rests on.
type causeCase struct {
	name        string
	probability float64
	prior       float64
	confirmed   bool
	weights     []weighed // strongest first
	overlaps    []overlap
	accounts    []string
	leaves      []unexplained
	missing     []look
}

// sentences is the argument about a cause: what points to it and what speaks
// against it, what overlaps, what it accounts for, and what is missing.
func (c causeCase) sentences() []string {
	var out []string
	for _, s := range []string{c.weightsText(mostSaid), c.overlapText(), c.accountsText(), c.missingText()} {
		if s != "" {
			out = append(out, s)
		}
	}
	return out
}

// brief is the argument in a glance, beside the advice.
func (c causeCase) brief() string { return c.weightsText(briefSaid) }

func (c causeCase) weightsText(most int) string {
	var pro, con []weighed
	for _, w := range c.weights {
		switch {
		case w.decibans >= leastSaid:
			pro = append(pro, w)
		case w.decibans <= -leastSaid:
			con = append(con, w)
		}
	}
	switch {
	case c.confirmed:
		return fmt.Sprintf("“%s” is confirmed.", c.name)
	case len(pro) == 0 && len(con) == 0:
		return fmt.Sprintf("Nothing seen so far speaks for “%s” or against it; %s is how often it occurs.", c.name, percent(c.prior))
	case len(pro) == 0:
		return fmt.Sprintf("Nothing seen points to “%s”; %s %s against it.", c.name, weighedList(con, most), speak(con))
	case len(con) == 0:
		return fmt.Sprintf("%s %s to “%s”; nothing speaks against it.", upperFirst(weighedList(pro, most)), point(pro), c.name)
	}
	return fmt.Sprintf("%s %s to “%s”; %s %s against it.", upperFirst(weighedList(pro, most)), point(pro), c.name, weighedList(con, most), speak(con))
}

func point(list []weighed) string {
	if len(list) == 1 {
		return "points"
	}
	return "point"
}

func speak(list []weighed) string {
	if len(list) == 1 {
		return "speaks"
	}
	return "speak"
}

// weighedList names the strongest and counts the rest.
func weighedList(list []weighed, most int) string {
	var names []string
	for _, w := range list[:min(most, len(list))] {
		names = append(names, fmt.Sprintf("%s (%s, %s)", w.name, decibansText(w.decibans), strength(w.decibans)))
	}
	if rest := len(list) - most; rest > 0 {
		names = append(names, fmt.Sprintf("%d weaker %s", rest, oneOrMany(rest, "observation", "observations")))
	}
	return andList(names)
}

// decibansText rounds to a whole deciban, which is finer than the library's
// numbers are known.
func decibansText(decibans float64) string {
	sign := "+"
	if decibans < 0 {
		sign = "−"
	}
	if math.Abs(decibans) >= diagnosis.MaxDecibans {
		return fmt.Sprintf("%s%d dB or more", sign, diagnosis.MaxDecibans)
	}
	return fmt.Sprintf("%s%.0f dB", sign, math.Abs(decibans))
}

func (c causeCase) overlapText() string {
	var out []string
	for _, o := range c.overlaps {
		each := "Each of " + andList(o.names)
		if len(o.names) == 2 {
			each = "Either of " + andList(o.names)
		}
		least, most := math.Inf(1), math.Inf(-1)
		for _, a := range o.alone {
			least, most = math.Min(least, a), math.Max(most, a)
		}
		switch {
		case o.apart:
			out = append(out, fmt.Sprintf("Alone %s say little; together they weigh %s (%s).", andList(o.names), decibansText(o.joint), strength(o.joint)))
		case least >= o.joint-clearly:
			out = append(out, fmt.Sprintf("%s alone would do; together they weigh %s (%s), so that taking one away changes little.", each, decibansText(o.joint), strength(o.joint)))
		default:
			out = append(out, fmt.Sprintf("%s overlap: alone they weigh %s to %s, together %s (%s).", upperFirst(andList(o.names)), decibansText(least), decibansText(most), decibansText(o.joint), strength(o.joint)))
		}
	}
	return strings.Join(out, " ")
}

func (c causeCase) accountsText() string {
	left := leavesText(c.leaves)
	switch {
	case len(c.accounts) > 0 && left == "":
		return fmt.Sprintf("It accounts for %s, and so for everything abnormal that was seen.", andList(c.accounts))
	case len(c.accounts) > 0:
		return fmt.Sprintf("It accounts for %s; it does not account for %s.", andList(c.accounts), left)
	case left != "":
		return fmt.Sprintf("It does not account for %s.", left)
	}
	return ""
}

// leavesText names what is left, grouped by the cause that would account for it.
func leavesText(leaves []unexplained) string {
	if len(leaves) == 0 {
		return ""
	}
	shown := leaves[:min(mostSaid, len(leaves))]
	var groups []string
	for i, u := range shown {
		if slices.ContainsFunc(shown[:i], func(x unexplained) bool { return x.by == u.by }) {
			continue
		}
		var names []string
		for _, x := range shown {
			if x.by == u.by {
				names = append(names, x.name)
			}
		}
		text := andList(names)
		if u.by != "" {
			text += fmt.Sprintf(" (“%s” would)", u.by)
		}
		groups = append(groups, text)
	}
	if rest := len(leaves) - len(shown); rest > 0 {
		groups = append(groups, fmt.Sprintf("%d more", rest))
	}
	return strings.Join(groups, ", nor for ")
}

func (c causeCase) missingText() string {
	var due, cannot []string
	for _, l := range c.missing {
		if l.cannot {
			cannot = append(cannot, "“"+l.name+"”")
		} else {
			due = append(due, fmt.Sprintf("“%s” (shows it in %s of cases)", l.name, percent(l.shows)))
		}
	}
	var out []string
	if len(due) > 0 && !c.confirmed {
		out = append(out, fmt.Sprintf("Not looked at yet: %s.", andList(due)))
	}
	if len(cannot) > 0 && !c.confirmed {
		out = append(out, fmt.Sprintf("It would show in %s, which cannot be measured here.", orList(cannot)))
	}
	return strings.Join(out, " ")
}

// upperFirst gives a sentence its capital where it does not begin with a name in
// quotes.
func upperFirst(s string) string {
	if s != "" && s[0] >= 'a' && s[0] <= 'z' {
		return strings.ToUpper(s[:1]) + s[1:]
	}
	return s
}

func oneOrMany(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}
