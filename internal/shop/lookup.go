package shop

import "nextprobe/internal/faultlib"

// componentName is the component's name, or its id where the library lacks it.
func componentName(lib *faultlib.Library, id string) string {
	if c := lib.Component(id); c != nil {
		return c.Name
	}
	return id
}

// outside is the library's access state of a complete board. It is where every
// path begins, so it is never opened, closed or recorded.
const outside = "outside"

// opening finds an access state that can be opened; nil for outside and unknown ones.
func opening(lib *faultlib.Library, id string) *faultlib.Opening {
	if id == outside {
		return nil
	}
	return lib.Opening(id)
}

// openingPath lists what must be open for an access, outermost first.
func openingPath(lib *faultlib.Library, access string) []faultlib.Opening {
	var path []faultlib.Opening
	for _, o := range lib.OpeningPath(access) {
		if o.ID != outside {
			path = append(path, o)
		}
	}
	return path
}

// requires reports whether an opening needs another one open, directly or by
// way of others.
func requires(lib *faultlib.Library, id, needed string) bool {
	for _, o := range openingPath(lib, id) {
		if o.ID == needed && o.ID != id {
			return true
		}
	}
	return false
}

// isGate reports whether a measurement is one of the intake gates.
func isGate(lib *faultlib.Library, measurement string) bool {
	for _, g := range lib.Gates {
		if g.Measurement == measurement {
			return true
		}
	}
	return false
}

// closedFor lists the openings that must be closed for an access state.
func closedFor(o faultlib.Opening) []string { return o.Closed }

// accessOf is the access a measurement needs on this board.
func accessOf(lib *faultlib.Library, measurement string, b Board) string {
	return lib.AccessOf(measurement, b.Facts)
}
