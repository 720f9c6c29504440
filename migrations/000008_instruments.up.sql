-- The shop's measuring instruments: what they state about their error, and when
-- they are due for calibration.

create table instruments (
  shop_id         uuid        not null,
  id              uuid        not null,
  name            text        not null,
  kind            text        not null default '',
  serial          text        not null default '',
  calibration_due date,
  retired_at      timestamptz,
  note            text        not null default '',
  created_at      timestamptz not null,
  version         integer     not null default 1,
  constraint instruments_pkey primary key (shop_id, id),
  constraint instruments_shop foreign key (shop_id) references shops (id),
  constraint instruments_name_present check (btrim(name) <> ''),
  constraint instruments_version_positive check (version > 0)
);
comment on column instruments.calibration_due is 'The last day on which the calibration holds; null where none is kept.';
comment on column instruments.retired_at is 'A retired instrument is not offered any more; readings taken with it keep its name.';
-- Serves the list too: order by retired_at is not null, lower(btrim(name)).
create unique index instruments_name_unique on instruments (shop_id, lower(btrim(name)));
comment on index instruments_name_unique is 'A name on a reading says which instrument it was, also after that one is retired.';
comment on constraint instruments_name_present on instruments is 'Instruments are chosen by name.';
comment on constraint instruments_version_positive on instruments is 'The version is the ETag of an edit.';

create table instrument_ranges (
  shop_id        uuid             not null,
  instrument_id  uuid             not null,
  line           integer          not null,
  unit           text             not null,
  low            double precision not null,
  high           double precision not null,
  resolution     double precision not null,
  plus_minus_pct double precision not null,
  counts         integer          not null,
  constraint instrument_ranges_pkey primary key (shop_id, instrument_id, line),
  constraint instrument_ranges_instrument foreign key (shop_id, instrument_id) references instruments (shop_id, id),
  constraint instrument_ranges_line_positive check (line > 0),
  constraint instrument_ranges_unit_present check (btrim(unit) <> ''),
  constraint instrument_ranges_in_order check (low < high and low >= -1e12 and high <= 1e12),
  constraint instrument_ranges_resolution_fits check (resolution > 0 and resolution <= high - low),
  constraint instrument_ranges_pct_range check (plus_minus_pct >= 0 and plus_minus_pct <= 100),
  constraint instrument_ranges_counts_range check (counts >= 0 and counts <= 10000)
);
comment on table instrument_ranges is 'The stated limit of error: plus or minus (plus_minus_pct % of the reading + counts last digits of the resolution).';
comment on column instrument_ranges.unit is 'UCUM code; low, high and resolution are in it.';
comment on constraint instrument_ranges_instrument on instrument_ranges is 'A range belongs to an instrument of the same shop.';
comment on constraint instrument_ranges_line_positive on instrument_ranges is 'Lines count up from 1.';
comment on constraint instrument_ranges_unit_present on instrument_ranges is 'Which readings a range is for is told by its unit.';
comment on constraint instrument_ranges_in_order on instrument_ranges is 'A range that ends before it begins holds no reading.';
comment on constraint instrument_ranges_resolution_fits on instrument_ranges is 'One digit is smaller than the range it counts, and not nothing.';
comment on constraint instrument_ranges_pct_range on instrument_ranges is 'An instrument that may be off by more than its reading measures nothing.';
comment on constraint instrument_ranges_counts_range on instrument_ranges is 'Digits are counted; so many digits are a typing error.';

alter table observations
  add column instrument_id uuid,
  add constraint observations_instrument foreign key (shop_id, instrument_id) references instruments (shop_id, id),
  add constraint observations_instrument_measures check (instrument_id is null or result is not null);
comment on constraint observations_instrument on observations is 'A reading is taken with an instrument of the same shop.';
comment on constraint observations_instrument_measures on observations is 'Nothing is measured where there is no result.';

alter table verifications
  add column instrument_id uuid,
  add constraint verifications_instrument foreign key (shop_id, instrument_id) references instruments (shop_id, id);
comment on constraint verifications_instrument on verifications is 'A proof is measured with an instrument of the same shop.';
