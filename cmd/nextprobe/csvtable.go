package main

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"nextprobe/internal/problem"
)

// csvTable reads a table with a header row by the names of its columns and notes
// every mistake with line and column, so that a file is put right in one go.
// Separators are comma, semicolon or tab, whichever the header uses; with the latter
// two a number may have a decimal comma, as spreadsheets of many countries write it.
type csvTable struct {
	reader   *csv.Reader
	names    []string
	at       map[string]int // place of each column in a row
	row      []string
	decimal  bool // a comma may stand for the decimal point
	mistakes []problem.Field
	more     int // mistakes beyond those named
}

// maxMistakes bounds how many mistakes are named.
const maxMistakes = 20

// openTable reads the header. Columns are found by name, in any order, capitals or
// not; one that is missing, twice there, or not known is an Invalid error, because a
// column that is misspelt would silently be left out of the figures.
func openTable(in io.Reader, required, optional []string) (*csvTable, error) {
	buffered := bufio.NewReaderSize(in, 1<<16)
	if mark, _ := buffered.Peek(3); bytes.Equal(mark, []byte("\xef\xbb\xbf")) {
		_, _ = buffered.Discard(3)
	}
	// An error here, as for a header that fills the buffer, comes again from the reader.
	head, _ := buffered.Peek(4096)
	head, _, _ = bytes.Cut(head, []byte("\n"))
	separator := ','
	for _, other := range []rune{';', '\t'} {
		if bytes.ContainsRune(head, other) && !bytes.ContainsRune(head, ',') {
			separator = other
		}
	}
	t := &csvTable{reader: csv.NewReader(buffered), at: map[string]int{}, decimal: separator != ','}
	t.reader.Comma, t.reader.ReuseRecord, t.reader.FieldsPerRecord = separator, true, -1
	known := slices.Concat(required, optional)
	header, err := t.reader.Read()
	if errors.Is(err, io.EOF) {
		return nil, problem.New(problem.Invalid, "The table is empty: its first line must name the columns %s.", strings.Join(required, ","))
	}
	if err != nil {
		return nil, t.syntax(err)
	}
	for i, name := range header {
		name = strings.ToLower(strings.TrimSpace(name))
		t.names = append(t.names, name)
		switch _, twice := t.at[name]; {
		case !slices.Contains(known, name):
			t.mistake(i, "is not a column of this table; known are %s", strings.Join(known, ", "))
		case twice:
			t.mistake(i, "is there twice")
		}
		t.at[name] = i
	}
	for _, name := range required {
		if _, there := t.at[name]; !there {
			t.mistakes = append(t.mistakes, problem.Field{Field: "line 1", Message: fmt.Sprintf("the column %s is missing", name)})
		}
	}
	return t, t.complaint()
}

// has reports whether the table has the column.
func (t *csvTable) has(name string) bool {
	_, there := t.at[name]
	return there
}

// next moves to the next row; false at the end. A row with too few or too many
// fields is a mistake and is passed over. The error is of reading, not of the rows.
func (t *csvTable) next() (bool, error) {
	for {
		row, err := t.reader.Read()
		if errors.Is(err, io.EOF) {
			return false, nil
		}
		if err != nil {
			return false, t.syntax(err)
		}
		t.row = row
		if len(row) == len(t.names) {
			return true, nil
		}
		line, _ := t.reader.FieldPos(0)
		t.note(fmt.Sprintf("line %d", line), fmt.Sprintf("has %d fields, the header names %d", len(row), len(t.names)))
	}
}

// text is the field of the present row, "" when the table has no such column.
func (t *csvTable) text(name string) string {
	i, there := t.at[name]
	if !there {
		return ""
	}
	return strings.TrimSpace(t.row[i])
}

// number is the field of the present row as a number; false, and a mistake noted,
// when it is none.
func (t *csvTable) number(name string) (float64, bool) {
	text := t.text(name)
	if t.decimal && !strings.Contains(text, ".") {
		text = strings.Replace(text, ",", ".", 1)
	}
	v, err := strconv.ParseFloat(text, 64)
	switch {
	case text == "":
		t.wrong(name, "is empty; a number belongs here")
	case err != nil:
		t.wrong(name, "must be a number, is %q", t.text(name))
	default:
		return v, true
	}
	return 0, false
}

// wrong notes a mistake in a field of the present row.
func (t *csvTable) wrong(name, format string, args ...any) {
	if len(t.mistakes) >= maxMistakes {
		t.more++
		return
	}
	t.mistake(t.at[name], format, args...)
}

func (t *csvTable) mistake(field int, format string, args ...any) {
	line, column := t.reader.FieldPos(field)
	t.note(fmt.Sprintf("line %d, column %d (%s)", line, column, t.names[field]), fmt.Sprintf(format, args...))
}

func (t *csvTable) note(where, what string) {
	if len(t.mistakes) >= maxMistakes {
		t.more++
		return
	}
	t.mistakes = append(t.mistakes, problem.Field{Field: where, Message: what})
}

// complaint is the error of all mistakes so far, nil when there are none.
func (t *csvTable) complaint() error {
	switch n := len(t.mistakes) + t.more; {
	case n == 0:
		return nil
	case t.more > 0:
		return &problem.Error{Code: problem.Invalid, Message: fmt.Sprintf("The table has %d mistakes; the first %d:", n, len(t.mistakes)), Fields: t.mistakes}
	default:
		return &problem.Error{Code: problem.Invalid, Message: "The table cannot be used as it is:", Fields: t.mistakes}
	}
}

// syntax words an error of the CSV reader, and says what was noted before it.
func (t *csvTable) syntax(err error) error {
	var parse *csv.ParseError
	if !errors.As(err, &parse) {
		return fmt.Errorf("reading the table: %w", err)
	}
	t.note(fmt.Sprintf("line %d, column %d", parse.Line, parse.Column), parse.Err.Error())
	return t.complaint()
}
