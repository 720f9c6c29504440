package store

import (
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgtype"
)

// uuidCodec moves uuid.UUID to and from the wire as its sixteen bytes. pgx alone
// goes by database/sql's Valuer and Scanner, which print and parse each id; ids
// are most of what a job file consists of.
type uuidCodec struct{ pgtype.UUIDCodec }

func (c uuidCodec) PlanEncode(m *pgtype.Map, oid uint32, format int16, value any) pgtype.EncodePlan {
	if format == pgtype.BinaryFormatCode {
		switch value.(type) {
		case uuid.UUID, *uuid.UUID:
			return uuidPlan{}
		}
	}
	return c.UUIDCodec.PlanEncode(m, oid, format, value)
}

func (c uuidCodec) PlanScan(m *pgtype.Map, oid uint32, format int16, target any) pgtype.ScanPlan {
	if _, ok := target.(*uuid.UUID); ok && format == pgtype.BinaryFormatCode {
		return uuidPlan{}
	}
	return c.UUIDCodec.PlanScan(m, oid, format, target)
}

type uuidPlan struct{}

// Encode appends the bytes; pgx has turned nil pointers into NULL before.
func (uuidPlan) Encode(value any, buf []byte) ([]byte, error) {
	switch v := value.(type) {
	case uuid.UUID:
		return append(buf, v[:]...), nil
	case *uuid.UUID:
		return append(buf, v[:]...), nil
	}
	return nil, fmt.Errorf("cannot write %T as uuid", value)
}

// Scan copies the bytes. NULL needs a pointer to a pointer, which pgx unwraps before.
func (uuidPlan) Scan(src []byte, dst any) error {
	id, ok := dst.(*uuid.UUID)
	if !ok || len(src) != len(id) {
		return fmt.Errorf("cannot read %d bytes as uuid into %T", len(src), dst)
	}
	copy(id[:], src)
	return nil
}
