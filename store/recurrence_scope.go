package store

import (
	"context"

	"github.com/jackc/pgx/v5"

	"nextprobe/internal/shop"
)

// scopedBoards is up to how many boards a drill-down is narrowed to. Above, reading all
// boards in one go is faster than looking up each.
const scopedBoards = 20_000

// Narrowed, the life data of a lot of 307 failures took 0.2 to 0.9 s at 1,000,000 jobs,
// and 6 s before. For a part on 3,400 boards the planner prefers to read all jobs and
// repairs (parallel sequential scans): 4 to 6 s.
//
// boardsOfKey finds the boards that ever had the thing, by the indexes
// connectors_by_family, installed_parts_by_part and installed_parts_by_lot. A failure
// names a thing of its own board, so that no other board has a failure or a span of the
// key. A piece of a lot may be recorded on another board without its lot, so that the
// boards of its serial belong to it (installed_parts_by_serial). Components, causes and
// modes are on every board, sealings and repair actions on most.
var boardsOfKey = map[shop.RecurrenceGroup]string{
	shop.ByConnectorFamily: `select distinct board_id from connectors x where shop_id = $1 and btrim(x.family) = $2 limit $3`,
	shop.ByPart:            `select distinct board_id from installed_parts x where shop_id = $1 and ` + installedPart + ` = $2 limit $3`,
	shop.ByLot: `
with x as (select x.* from installed_parts x where x.shop_id = $1 and ` + installedLot + ` = $2)
select board_id from x
 union
select y.board_id from x join installed_parts y on y.shop_id = x.shop_id and btrim(y.serial) <> '' and lower(btrim(y.serial)) = lower(btrim(x.serial))
 limit $3`,
}

// scopeOfKey stands before the common table expressions of a drill-down. Where few
// boards ever had the thing, the names of the tables stand for their rows: the same SQL
// then reads some boards instead of the whole shop, with the same result.
func (s *Store) scopeOfKey(ctx context.Context, shopID shop.ID, group shop.RecurrenceGroup, key string, args pgx.NamedArgs) (string, error) {
	sql, ok := boardsOfKey[group]
	if !ok {
		return "", nil
	}
	boards, err := all(ctx, s.pool, pgx.RowTo[shop.ID], sql, shopID, key, s.narrow+1)
	if err != nil || len(boards) > s.narrow {
		return "", err
	}
	args["boards"] = boards
	return stepsScope, nil
}
