-- What the shop's own jobs teach the diagnosis, what of it is used, and what the
-- owner decided about it.

create table learned_states (
  shop_id    uuid        not null,
  number     integer     not null,
  library_id uuid        not null,
  jobs       integer     not null,
  as_of      timestamptz not null,
  body       json        not null,
  at         timestamptz not null,
  constraint learned_states_pkey primary key (shop_id, number),
  -- The target of the jobs, which use a state made for their own edition.
  constraint learned_states_of_library unique (shop_id, library_id, number),
  constraint learned_states_library foreign key (shop_id, library_id) references library_versions (shop_id, id),
  constraint learned_states_number_positive check (number > 0),
  constraint learned_states_jobs_not_negative check (jobs >= 0),
  constraint learned_states_body_object check (json_typeof(body) = 'object')
);
comment on table learned_states is 'The learned numbers in use, one row for each change. A job names the one it was begun with, so that its diagnosis can be repeated. body is json, not jsonb: it is kept to the letter.';
comment on constraint learned_states_of_library on learned_states is 'A state replaces numbers of one edition of the library.';
comment on constraint learned_states_library on learned_states is 'The edition is one of the same shop.';
comment on constraint learned_states_number_positive on learned_states is 'Numbers count up from 1.';
comment on constraint learned_states_jobs_not_negative on learned_states is 'It counts the jobs behind the numbers.';
comment on constraint learned_states_body_object on learned_states is 'The numbers have names.';
create trigger learned_states_immutable before update or delete on learned_states
  for each row execute function forbid_change();

alter table jobs add column learned_number integer;
comment on column jobs.learned_number is 'The learned numbers the diagnosis uses beside the library; null: the library''s own.';
alter table jobs add constraint jobs_learned foreign key (shop_id, library_id, learned_number)
  references learned_states (shop_id, library_id, number);
comment on constraint jobs_learned on jobs is 'A diagnosis is repeatable only with the numbers it used, and they must be those of its edition.';

create table lessons (
  shop_id    uuid        not null,
  job_id     uuid        not null,
  verdict    text        not null,
  later_job  uuid,
  learned_on timestamptz not null,
  body       json        not null,
  forecasts  json        not null,
  at         timestamptz not null,
  constraint lessons_pkey primary key (shop_id, job_id),
  constraint lessons_job foreign key (shop_id, job_id) references jobs (shop_id, id),
  constraint lessons_later_job foreign key (shop_id, later_job) references jobs (shop_id, id),
  constraint lessons_verdict_known check (verdict in ('taught', 'comeback', 'waived', 'unrepaired', 'unreadable')),
  constraint lessons_comeback_names_job check ((verdict = 'comeback') = (later_job is not null)),
  constraint lessons_after_hand_back check (at >= learned_on),
  constraint lessons_body_object check (json_typeof(body) = 'object'),
  constraint lessons_forecasts_object check (json_typeof(forecasts) = 'object')
);
comment on table lessons is 'What one job taught, or why it taught nothing. Judged once, after its waiting time; the key keeps two servers from counting a job twice.';
-- Serves the list of jobs behind the numbers and the rebuild: order by learned_on, job_id.
create index lessons_by_day on lessons (shop_id, learned_on, job_id);
comment on constraint lessons_job on lessons is 'A lesson is taken from a job.';
comment on constraint lessons_later_job on lessons is 'A comeback is a later job of the same shop.';
comment on constraint lessons_verdict_known on lessons is 'Only taught ones are counted.';
comment on constraint lessons_comeback_names_job on lessons is 'Credit is refused for a reason that can be looked up.';
comment on constraint lessons_after_hand_back on lessons is 'A job is judged after it was handed back.';
comment on constraint lessons_body_object on lessons is 'Counts have names.';
comment on constraint lessons_forecasts_object on lessons is 'Forecasts have names.';
create trigger lessons_immutable before update or delete on lessons
  for each row execute function forbid_change();

create table learning_decisions (
  shop_id  uuid             not null,
  id       uuid             not null,
  subject  text             not null,
  accepted boolean          not null,
  body     json             not null,
  jobs     double precision not null,
  reason   text             not null,
  at       timestamptz      not null,
  by_name  text             not null,
  constraint learning_decisions_pkey primary key (shop_id, id),
  constraint learning_decisions_shop foreign key (shop_id) references shops (id),
  constraint learning_decisions_subject_present check (subject <> ''),
  constraint learning_decisions_reason_present check (btrim(reason) <> ''),
  constraint learning_decisions_jobs_not_negative check (jobs >= 0 and jobs < 'infinity'),
  constraint learning_decisions_who check (btrim(by_name) <> ''),
  constraint learning_decisions_body_object check (json_typeof(body) = 'object')
);
comment on table learning_decisions is 'What the owner accepted or rejected, with the numbers as they stood.';
-- Serves the history: order by at, id.
create index learning_decisions_by_time on learning_decisions (shop_id, at, id);
comment on constraint learning_decisions_subject_present on learning_decisions is 'A decision is about a number.';
comment on constraint learning_decisions_reason_present on learning_decisions is 'The next owner must be able to read why.';
comment on constraint learning_decisions_jobs_not_negative on learning_decisions is 'Effective jobs behind the number.';
comment on constraint learning_decisions_who on learning_decisions is 'Whoever decides answers for it.';
comment on constraint learning_decisions_body_object on learning_decisions is 'The numbers have names.';
create trigger learning_decisions_immutable before update or delete on learning_decisions
  for each row execute function forbid_change();

create table learning_totals (
  shop_id uuid    not null,
  body    json    not null,
  version integer not null,
  constraint learning_totals_pkey primary key (shop_id),
  constraint learning_totals_shop foreign key (shop_id) references shops (id),
  constraint learning_totals_body_object check (json_typeof(body) = 'object'),
  constraint learning_totals_version_positive check (version > 0)
);
comment on table learning_totals is 'The sums of all lessons, so that a new one does not need the old ones. They can be made again from the lessons.';
comment on constraint learning_totals_body_object on learning_totals is 'Sums have names.';
comment on constraint learning_totals_version_positive on learning_totals is 'The version orders those who learn at the same time.';

-- Jobs handed back before there was a queue wait out their time like any other.
insert into queue.river_job (kind, args, state, scheduled_at, max_attempts)
select 'learn_from_job', jsonb_build_object('shop_id', j.shop_id, 'job_id', j.id), 'scheduled', j.closed_at + interval '30 days', 12
  from jobs j
 where j.state = 'returned' and exists (select from repairs r where r.shop_id = j.shop_id and r.job_id = j.id)
 order by j.closed_at, j.id;
