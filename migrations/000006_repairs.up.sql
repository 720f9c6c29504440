-- Faults, repairs, the parts they used and fitted, and what proves them.

create table installed_parts (
  shop_id      uuid             not null,
  id           uuid             not null,
  board_id     uuid             not null,
  part_id      uuid,
  part_name    text             not null,
  component    text             not null default '',
  serial       text             not null default '',
  lot          text             not null default '',
  installed_at timestamptz      not null,
  installed_km double precision,
  removed_at   timestamptz,
  removed_km   double precision,
  repair_id    uuid,
  constraint installed_parts_pkey primary key (shop_id, id),
  -- Serves the list of what a board carries, and the foreign key that ties a fault to a part of its own board.
  constraint installed_parts_of_board unique (shop_id, board_id, id),
  constraint installed_parts_board foreign key (shop_id, board_id) references boards (shop_id, id),
  constraint installed_parts_part foreign key (shop_id, part_id) references parts (shop_id, id),
  constraint installed_parts_name_present check (btrim(part_name) <> ''),
  constraint installed_parts_removed_after_installed check (removed_at >= installed_at),
  constraint installed_parts_km_not_negative check (installed_km >= 0 and installed_km < 1e7 and
    (removed_km is null or removed_km >= 0 and removed_km < 1e7)),
  constraint installed_parts_removed_km_has_time check (removed_km is null or removed_at is not null)
);
comment on constraint installed_parts_of_board on installed_parts is 'A fault may name a part of its own board only.';
comment on constraint installed_parts_board on installed_parts is 'A part is fitted to a board of the same shop.';
comment on constraint installed_parts_part on installed_parts is 'The article is one of the same shop.';
comment on constraint installed_parts_name_present on installed_parts is 'The as-built record is read by people.';
comment on constraint installed_parts_removed_after_installed on installed_parts is 'The time between is its exposure in the recurrence report.';
comment on constraint installed_parts_km_not_negative on installed_parts is 'In km; a figure above ten million is a typing error.';
comment on constraint installed_parts_removed_km_has_time on installed_parts is 'Only a removed part has a last odometer.';

create table faults (
  shop_id           uuid             not null,
  job_id            uuid             not null,
  id                uuid             not null,
  board_id          uuid             not null,
  cause             text             not null,
  component         text             not null,
  failure_mode      text             not null default '',
  connector_id      uuid,
  installed_part_id uuid,
  note              text             not null default '',
  probability       double precision not null,
  at                timestamptz      not null,
  by_name           text             not null default '',
  waived_at         timestamptz,
  waived_by         text             not null default '',
  waive_reason      text             not null default '',
  constraint faults_pkey primary key (shop_id, job_id, id),
  constraint faults_cause_once unique nulls not distinct (shop_id, job_id, cause, connector_id, installed_part_id),
  constraint faults_job foreign key (shop_id, board_id, job_id) references jobs (shop_id, board_id, id),
  constraint faults_connector_of_board foreign key (shop_id, board_id, connector_id) references connectors (shop_id, board_id, id),
  constraint faults_part_of_board foreign key (shop_id, board_id, installed_part_id) references installed_parts (shop_id, board_id, id),
  constraint faults_cause_present check (cause <> '' and component <> ''),
  constraint faults_probability_range check (probability >= 0 and probability <= 1),
  constraint faults_waiver_has_reason check ((waived_at is null) = (btrim(waive_reason) = '')),
  constraint faults_waiver_has_who check ((waived_at is null) = (btrim(waived_by) = ''))
);
comment on column faults.board_id is 'The board of the job, here so that keys and the recurrence report stay within a board.';
-- Serves the recurrence report: where at >= and at <.
create index faults_by_time on faults (shop_id, at);
-- Serves comebacks and the effect of a repair: the later faults of a component on a board.
create index faults_by_board on faults (shop_id, board_id, component, at);
comment on constraint faults_cause_once on faults is 'The same cause at the same place is one failure; twice would count it twice.';
comment on constraint faults_job on faults is 'A fault is confirmed in a job, on the board of that job.';
comment on constraint faults_connector_of_board on faults is 'The connector is one of the board in the job.';
comment on constraint faults_part_of_board on faults is 'The installed part is one of the board in the job.';
comment on constraint faults_cause_present on faults is 'A fault is a component with a failure mode.';
comment on constraint faults_probability_range on faults is 'A probability is between 0 and 1.';
comment on constraint faults_waiver_has_reason on faults is 'A known fault left unrepaired needs a reason; the next technician must read it.';
comment on constraint faults_waiver_has_who on faults is 'Whoever leaves a fault unrepaired answers for it.';

create table repairs (
  shop_id  uuid        not null,
  job_id   uuid        not null,
  id       uuid        not null,
  fault_id uuid        not null,
  action   text        not null,
  minutes  integer     not null,
  note     text        not null default '',
  at       timestamptz not null,
  by_name  text        not null default '',
  constraint repairs_pkey primary key (shop_id, job_id, id),
  constraint repairs_id_unique unique (shop_id, id),
  constraint repairs_fault_of_job foreign key (shop_id, job_id, fault_id) references faults (shop_id, job_id, id),
  constraint repairs_action_present check (action <> ''),
  constraint repairs_minutes_not_negative check (minutes >= 0)
);
-- Serves the recurrence report by action and the repairs of a fault.
create index repairs_by_action on repairs (shop_id, action, at);
comment on constraint repairs_id_unique on repairs is 'Stock and installed parts name a repair without its job.';
comment on constraint repairs_fault_of_job on repairs is 'A repair mends a fault confirmed in the same job (which proves that the job exists).';
comment on constraint repairs_action_present on repairs is 'Which repair lasts is asked by action.';
comment on constraint repairs_minutes_not_negative on repairs is 'Labour is never negative.';

create table repair_parts (
  shop_id   uuid    not null,
  job_id    uuid    not null,
  repair_id uuid    not null,
  line      integer not null,
  part_id   uuid    not null,
  part_name text    not null default '',
  quantity  integer not null,
  lot       text    not null default '',
  serial    text    not null default '',
  constraint repair_parts_pkey primary key (shop_id, job_id, repair_id, line),
  constraint repair_parts_repair foreign key (shop_id, job_id, repair_id) references repairs (shop_id, job_id, id),
  constraint repair_parts_part foreign key (shop_id, part_id) references parts (shop_id, id),
  constraint repair_parts_line_positive check (line > 0),
  constraint repair_parts_quantity_positive check (quantity > 0)
);
comment on constraint repair_parts_repair on repair_parts is 'A part is used in a repair.';
comment on constraint repair_parts_part on repair_parts is 'The article is one of the same shop.';
comment on constraint repair_parts_line_positive on repair_parts is 'Lines count up from 1.';
comment on constraint repair_parts_quantity_positive on repair_parts is 'A part used is at least one.';

alter table stock_movements add constraint stock_movements_repair
  foreign key (shop_id, repair_id) references repairs (shop_id, id);
comment on constraint stock_movements_repair on stock_movements is 'A part used in a repair is traced to it.';
alter table installed_parts add constraint installed_parts_repair
  foreign key (shop_id, repair_id) references repairs (shop_id, id);
comment on constraint installed_parts_repair on installed_parts is 'A part fitted by a repair is traced to it.';

create table verifications (
  shop_id        uuid        not null,
  job_id         uuid        not null,
  id             uuid        not null,
  measurement    text        not null,
  result         jsonb       not null,
  passed         boolean     not null,
  at             timestamptz not null,
  by_name        text        not null default '',
  invalidated_at timestamptz,
  invalidated_by text        not null default '',
  constraint verifications_pkey primary key (shop_id, job_id, id),
  constraint verifications_job foreign key (shop_id, job_id) references jobs (shop_id, id),
  constraint verifications_measurement_present check (measurement <> ''),
  constraint verifications_result_object check (jsonb_typeof(result) = 'object'),
  constraint verifications_invalidation_has_event check ((invalidated_at is null) = (btrim(invalidated_by) = ''))
);
comment on constraint verifications_job on verifications is 'A proof is taken in a job.';
comment on constraint verifications_measurement_present on verifications is 'A proof is a measurement of the library.';
comment on constraint verifications_result_object on verifications is 'A result has named values.';
comment on constraint verifications_invalidation_has_event on verifications is 'A proof made invalid names the event that did it.';

create table diagnosis_snapshots (
  shop_id    uuid        not null,
  job_id     uuid        not null,
  id         uuid        not null,
  cause      text        not null,
  library_id uuid        not null,
  body       json        not null,
  at         timestamptz not null,
  by_name    text        not null default '',
  constraint diagnosis_snapshots_pkey primary key (shop_id, job_id, id),
  constraint diagnosis_snapshots_job foreign key (shop_id, job_id) references jobs (shop_id, id),
  constraint diagnosis_snapshots_library foreign key (shop_id, library_id) references library_versions (shop_id, id),
  constraint diagnosis_snapshots_cause_known check (cause in ('fault', 'repair', 'state', 'waive')),
  constraint diagnosis_snapshots_body_object check (json_typeof(body) = 'object')
);
comment on table diagnosis_snapshots is 'The diagnosis as it stood at a decision. body is json, not jsonb: it is kept to the letter.';
comment on constraint diagnosis_snapshots_job on diagnosis_snapshots is 'A decision is taken in a job.';
comment on constraint diagnosis_snapshots_library on diagnosis_snapshots is 'A diagnosis is repeatable only with the edition it used.';
comment on constraint diagnosis_snapshots_cause_known on diagnosis_snapshots is 'Snapshots are taken at decisions.';
comment on constraint diagnosis_snapshots_body_object on diagnosis_snapshots is 'A diagnosis has named parts.';
create trigger diagnosis_snapshots_immutable before update or delete on diagnosis_snapshots
  for each row execute function forbid_change();
