-- Jobs, the history of their states, and what was observed in them. The records
-- of a job have (shop_id, job_id, id) as their key: a job file is read by prefix,
-- and a reference between two records cannot leave its job.

create table jobs (
  shop_id     uuid             not null,
  id          uuid             not null,
  number      integer          not null,
  board_id    uuid             not null,
  state       text             not null,
  state_step  integer          not null default 1,
  complaint   text             not null default '',
  odometer_km double precision,
  exposures   text[]           not null default '{}',
  condition   text             not null default '',
  warranty_of uuid,
  comeback_of uuid,
  library_id  uuid             not null,
  opened_at   timestamptz      not null,
  ready_at    timestamptz,
  closed_at   timestamptz,
  updated_at  timestamptz      not null,
  version     integer          not null default 1,
  constraint jobs_pkey primary key (shop_id, id),
  -- Serves the list of all jobs, newest first, and the look-up of a job ticket.
  constraint jobs_number_unique unique (shop_id, number),
  -- Serves the history of a board and the foreign keys that stay within a board.
  constraint jobs_of_board unique (shop_id, board_id, id),
  constraint jobs_board foreign key (shop_id, board_id) references boards (shop_id, id),
  constraint jobs_library foreign key (shop_id, library_id) references library_versions (shop_id, id),
  constraint jobs_warranty_same_board foreign key (shop_id, board_id, warranty_of) references jobs (shop_id, board_id, id),
  constraint jobs_comeback_same_board foreign key (shop_id, board_id, comeback_of) references jobs (shop_id, board_id, id),
  constraint jobs_number_positive check (number > 0),
  constraint jobs_state_known check (state in ('received', 'diagnosing', 'awaiting_approval', 'awaiting_parts',
    'repairing', 'verifying', 'ready', 'returned', 'declined', 'scrapped')),
  constraint jobs_odometer_not_negative check (odometer_km >= 0 and odometer_km < 1e7),
  constraint jobs_warranty_not_itself check (warranty_of <> id),
  constraint jobs_comeback_not_itself check (comeback_of <> id),
  constraint jobs_closed_when_gone check ((closed_at is not null) = (state in ('returned', 'scrapped'))),
  constraint jobs_times_in_order check (ready_at >= opened_at and closed_at >= opened_at),
  constraint jobs_version_positive check (version > 0)
);
create unique index jobs_one_open_per_board on jobs (shop_id, board_id) where state not in ('returned', 'scrapped');
comment on index jobs_one_open_per_board is 'A board is on one bench. A declined job is open until the board is handed back.';
-- Serves the lists by state, newest first: where state = any(...) order by number desc.
create index jobs_by_state on jobs (shop_id, state, number desc);
comment on constraint jobs_number_unique on jobs is 'The ticket on the board carries the number.';
comment on constraint jobs_of_board on jobs is 'Faults and comebacks stay within one board.';
comment on constraint jobs_board on jobs is 'A job is a visit of a board of the same shop.';
comment on constraint jobs_library on jobs is 'A diagnosis is repeatable only with the edition it used.';
comment on constraint jobs_warranty_same_board on jobs is 'Warranty is given on a board.';
comment on constraint jobs_comeback_same_board on jobs is 'A comeback is the same board again.';
comment on constraint jobs_number_positive on jobs is 'Numbers count up from 1.';
comment on constraint jobs_state_known on jobs is 'Lists, counts and rules go by the state.';
comment on constraint jobs_odometer_not_negative on jobs is 'In km; a figure above ten million is a typing error.';
comment on constraint jobs_warranty_not_itself on jobs is 'The warranty comes from an earlier visit.';
comment on constraint jobs_comeback_not_itself on jobs is 'A visit cannot be its own return.';
comment on constraint jobs_closed_when_gone on jobs is 'Warranty and exposure count from the day the board left.';
comment on constraint jobs_times_in_order on jobs is 'Time in the shop is never negative.';
comment on constraint jobs_version_positive on jobs is 'The version is the ETag of a change.';

create table job_states (
  shop_id       uuid        not null,
  job_id        uuid        not null,
  step          integer     not null,
  previous_step integer     generated always as (nullif(step - 1, 0)) stored,
  id            uuid        not null,
  from_state    text,
  to_state      text        not null,
  reason        text        not null default '',
  at            timestamptz not null,
  by_name       text        not null default '',
  constraint job_states_pkey primary key (shop_id, job_id, step),
  constraint job_states_step_state unique (shop_id, job_id, step, to_state),
  constraint job_states_job foreign key (shop_id, job_id) references jobs (shop_id, id),
  constraint job_states_chain foreign key (shop_id, job_id, previous_step, from_state)
    references job_states (shop_id, job_id, step, to_state),
  constraint job_states_step_positive check (step > 0),
  constraint job_states_first_has_no_origin check ((step = 1) = (from_state is null)),
  constraint job_states_moves check (from_state <> to_state),
  constraint job_states_state_known check (to_state in ('received', 'diagnosing', 'awaiting_approval', 'awaiting_parts',
    'repairing', 'verifying', 'ready', 'returned', 'declined', 'scrapped'))
);
comment on table job_states is 'The history of a job. Never changed.';
comment on constraint job_states_step_state on job_states is 'The target of the chain and of the job''s own state.';
comment on constraint job_states_job on job_states is 'A step belongs to a job.';
comment on constraint job_states_chain on job_states is 'Each step begins where the one before it ended.';
comment on constraint job_states_step_positive on job_states is 'Steps count up from 1.';
comment on constraint job_states_first_has_no_origin on job_states is 'Only the first step comes from nowhere.';
comment on constraint job_states_moves on job_states is 'A step that goes nowhere is no step.';
comment on constraint job_states_state_known on job_states is 'Lists, counts and rules go by the state.';
create trigger job_states_immutable before update or delete on job_states
  for each row execute function forbid_change();

-- Deferred, because a job and its first step are written together.
alter table jobs add constraint jobs_state_in_history foreign key (shop_id, id, state_step, state)
  references job_states (shop_id, job_id, step, to_state) deferrable initially deferred;
comment on constraint jobs_state_in_history on jobs is 'A job stands where its history says; no state changes without a record of who and when.';

create table observations (
  shop_id        uuid        not null,
  job_id         uuid        not null,
  id             uuid        not null,
  kind           text        not null,
  symptom        text        not null default '',
  present        boolean     not null default false,
  measurement    text        not null default '',
  unavailable    boolean     not null default false,
  result         jsonb,
  from_exposure  boolean     not null default false,
  at             timestamptz not null,
  by_name        text        not null default '',
  retracted_at   timestamptz,
  retracted_by   text        not null default '',
  superseded_by  uuid,
  invalidated_at timestamptz,
  invalidated_by text        not null default '',
  constraint observations_pkey primary key (shop_id, job_id, id),
  constraint observations_job foreign key (shop_id, job_id) references jobs (shop_id, id),
  -- Deferred, because the later observation is written after the earlier one is marked.
  constraint observations_superseded_in_job foreign key (shop_id, job_id, superseded_by)
    references observations (shop_id, job_id, id) deferrable initially deferred,
  constraint observations_one_finding check (
    kind = 'symptom' and symptom <> '' and measurement = '' or
    kind = 'measurement' and measurement <> '' and symptom = '' and not present),
  constraint observations_result_fits check (
    case when kind = 'symptom' or unavailable then result is null else result is not null end),
  constraint observations_symptom_available check (kind = 'measurement' or not unavailable),
  constraint observations_result_object check (jsonb_typeof(result) = 'object'),
  constraint observations_retraction_has_who check ((retracted_at is null) = (btrim(retracted_by) = '')),
  constraint observations_invalidation_has_event check ((invalidated_at is null) = (btrim(invalidated_by) = '')),
  constraint observations_superseded_by_another check (superseded_by <> id)
);
create unique index observations_active_once on observations (shop_id, job_id, symptom, measurement)
  where retracted_at is null and superseded_by is null and invalidated_at is null and not unavailable;
comment on index observations_active_once is 'Two live records of one finding would count its evidence twice.';
comment on constraint observations_job on observations is 'An observation is made in a job.';
comment on constraint observations_superseded_in_job on observations is 'The later record of the finding is in the same job.';
comment on constraint observations_one_finding on observations is 'An observation is of one symptom or one measurement.';
comment on constraint observations_result_fits on observations is 'A measurement taken has a result; a symptom, or a measurement that cannot be taken, has none.';
comment on constraint observations_symptom_available on observations is 'A symptom that cannot be told is not recorded.';
comment on constraint observations_result_object on observations is 'A result has named values.';
comment on constraint observations_retraction_has_who on observations is 'Evidence taken back names who took it back and when.';
comment on constraint observations_invalidation_has_event on observations is 'A result made invalid names the event that did it.';
comment on constraint observations_superseded_by_another on observations is 'A record cannot replace itself.';

create table access_events (
  shop_id uuid        not null,
  job_id  uuid        not null,
  id      uuid        not null,
  opening text        not null,
  state   text        not null,
  implied boolean     not null default false,
  at      timestamptz not null,
  by_name text        not null default '',
  constraint access_events_pkey primary key (shop_id, job_id, id),
  constraint access_events_job foreign key (shop_id, job_id) references jobs (shop_id, id),
  constraint access_events_opening_present check (opening <> ''),
  constraint access_events_state_known check (state in ('open', 'closed'))
);
comment on table access_events is 'What was opened and closed. An open box or a connected pack is a hazard, so the log is kept event by event.';
comment on constraint access_events_job on access_events is 'An opening is opened in a job.';
comment on constraint access_events_opening_present on access_events is 'The event is about an opening of the library.';
comment on constraint access_events_state_known on access_events is 'An opening is open or closed.';
