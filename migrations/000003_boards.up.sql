-- Boards and their connector register.

create table boards (
  shop_id        uuid             not null,
  id             uuid             not null,
  serial         text             not null default '',
  make           text             not null default '',
  model          text             not null default '',
  series_cells   integer,
  parallel_cells integer,
  chemistry      text             not null default '',
  controller     text             not null default '',
  firmware       text             not null default '',
  odometer_km    double precision,
  odometer_at    timestamptz,
  facts          jsonb            not null default '{}',
  owner_id       uuid,
  note           text             not null default '',
  created_at     timestamptz      not null,
  updated_at     timestamptz      not null,
  version        integer          not null default 1,
  constraint boards_pkey primary key (shop_id, id),
  constraint boards_shop foreign key (shop_id) references shops (id),
  constraint boards_owner foreign key (shop_id, owner_id) references customers (shop_id, id),
  constraint boards_series_cells_positive check (series_cells > 0),
  constraint boards_parallel_cells_positive check (parallel_cells > 0),
  constraint boards_chemistry_known check (chemistry in ('', 'layered_oxide', 'iron_phosphate')),
  constraint boards_odometer_not_negative check (odometer_km >= 0 and odometer_km < 1e7),
  constraint boards_odometer_has_time check ((odometer_km is null) = (odometer_at is null)),
  constraint boards_facts_object check (jsonb_typeof(facts) = 'object'),
  constraint boards_version_positive check (version > 0)
);
comment on table boards is 'The serviced unit. A board whose serial cannot be read has an empty one.';
comment on column boards.odometer_at is 'When the odometer stood there; distance is interpolated between such readings.';
create unique index boards_serial_unique on boards (shop_id, lower(btrim(serial))) where btrim(serial) <> '';
comment on index boards_serial_unique is 'A serial names one board of a shop, however it is typed; else its history would be split.';
-- Serves the list of boards with its cursor: order by lower(btrim(serial)), id.
create index boards_by_serial on boards (shop_id, lower(btrim(serial)), id);
comment on constraint boards_owner on boards is 'An owner is a customer of the same shop.';
comment on constraint boards_series_cells_positive on boards is 'Pack limits are computed per cell in series.';
comment on constraint boards_parallel_cells_positive on boards is 'Capacity limits are computed per parallel cell.';
comment on constraint boards_chemistry_known on boards is 'Voltage limits hang on the chemistry; a wrong one is a hazard.';
comment on constraint boards_odometer_not_negative on boards is 'In km; a figure above ten million is a typing error (NaN and infinity are refused alike).';
comment on constraint boards_odometer_has_time on boards is 'A reading without its time gives no distance per time.';
comment on constraint boards_facts_object on boards is 'Facts are looked up by name.';
comment on constraint boards_version_positive on boards is 'The version is the ETag of an edit.';

create table connectors (
  shop_id    uuid        not null,
  id         uuid        not null,
  board_id   uuid        not null,
  place      text        not null,
  component  text        not null default '',
  family     text        not null default '',
  poles      integer,
  polarity   text        not null default 'unknown',
  pin_map    jsonb       not null default '{}',
  sealing    text        not null default '',
  note       text        not null default '',
  fitted_at  timestamptz not null,
  removed_at timestamptz,
  updated_at timestamptz not null,
  version    integer     not null default 1,
  constraint connectors_pkey primary key (shop_id, id),
  -- Serves the register of a board, and the foreign key that ties a fault to a connector of its own board.
  constraint connectors_of_board unique (shop_id, board_id, id),
  constraint connectors_board foreign key (shop_id, board_id) references boards (shop_id, id),
  constraint connectors_place_present check (btrim(place) <> ''),
  constraint connectors_poles_positive check (poles > 0),
  constraint connectors_polarity_known check (polarity in ('as_marked', 'reversed', 'unknown')),
  constraint connectors_pin_map_object check (jsonb_typeof(pin_map) = 'object'),
  constraint connectors_removed_after_fitted check (removed_at >= fitted_at),
  constraint connectors_version_positive check (version > 0)
);
comment on table connectors is 'The connector register: what a board really has, not what its maker drew. A replaced connector is removed, never deleted.';
comment on constraint connectors_of_board on connectors is 'A fault may name a connector of its own board only.';
comment on constraint connectors_board on connectors is 'A connector is on a board of the same shop.';
comment on constraint connectors_place_present on connectors is 'A technician finds it by its place.';
comment on constraint connectors_poles_positive on connectors is 'A connector has contacts.';
comment on constraint connectors_polarity_known on connectors is 'Polarity is as measured. Reversed polarity destroys a controller, so a guess is written as unknown.';
comment on constraint connectors_pin_map_object on connectors is 'Pins are looked up by name.';
comment on constraint connectors_removed_after_fitted on connectors is 'The time between is its exposure in the recurrence report.';
comment on constraint connectors_version_positive on connectors is 'The version is the ETag of an edit.';
