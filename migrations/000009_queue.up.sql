-- The queue of work that must happen later. Its tables are those of the Go module
-- github.com/riverqueue/river v0.51.2, here as its own migrations 002 to 008 of the
-- line "main" leave them (riverdriver/riverpgxv5/migration/main, under the Mozilla
-- Public License 2.0, https://mozilla.org/MPL/2.0/). A test compares them with what
-- the module itself would make. They are the queue's own: they stand in a schema
-- apart, know no shop, and name jobs of a shop only inside their args.

create schema queue;
comment on schema queue is 'Work that must happen later, kept by the queue module; no shop''s table.';

create type queue.river_job_state as enum
  ('available', 'cancelled', 'completed', 'discarded', 'pending', 'retryable', 'running', 'scheduled');

create table queue.river_job (
  id            bigserial             not null primary key,
  state         queue.river_job_state not null default 'available',
  attempt       smallint              not null default 0,
  max_attempts  smallint              not null default 25,
  attempted_at  timestamptz,
  created_at    timestamptz           not null default now(),
  finalized_at  timestamptz,
  scheduled_at  timestamptz           not null default now(),
  priority      smallint              not null default 1,
  args          jsonb                 not null,
  attempted_by  text[],
  errors        jsonb[],
  kind          text                  not null,
  metadata      jsonb                 not null default '{}',
  queue         text                  not null default 'default',
  tags          varchar(255)[]        not null default '{}',
  unique_key    bytea,
  unique_states bit(8),
  constraint finalized_or_finalized_at_null check (
    finalized_at is null and state not in ('cancelled', 'completed', 'discarded') or
    finalized_at is not null and state in ('cancelled', 'completed', 'discarded')),
  constraint max_attempts_is_positive check (max_attempts > 0),
  constraint priority_in_range check (priority >= 1 and priority <= 4),
  constraint queue_length check (char_length(queue) > 0 and char_length(queue) < 128),
  constraint kind_length check (char_length(kind) > 0 and char_length(kind) < 128)
);
comment on table queue.river_job is 'One piece of work. One that failed at every attempt stays, discarded, until it is looked at.';

create index river_job_kind on queue.river_job (kind);
create index river_job_state_and_finalized_at_index on queue.river_job (state, finalized_at) where finalized_at is not null;
create index river_job_prioritized_fetching_index on queue.river_job (state, queue, priority, scheduled_at, id);
create index river_job_args_index on queue.river_job using gin (args);
create index river_job_metadata_index on queue.river_job using gin (metadata);

create function queue.river_job_state_in_bitmask(bitmask bit(8), state queue.river_job_state) returns boolean
language sql immutable as $$
    SELECT CASE state
        WHEN 'available' THEN get_bit(bitmask, 7)
        WHEN 'cancelled' THEN get_bit(bitmask, 6)
        WHEN 'completed' THEN get_bit(bitmask, 5)
        WHEN 'discarded' THEN get_bit(bitmask, 4)
        WHEN 'pending'   THEN get_bit(bitmask, 3)
        WHEN 'retryable' THEN get_bit(bitmask, 2)
        WHEN 'running'   THEN get_bit(bitmask, 1)
        WHEN 'scheduled' THEN get_bit(bitmask, 0)
        ELSE 0
    END = 1;
$$;

create unique index river_job_unique_idx on queue.river_job (unique_key)
  where unique_key is not null and unique_states is not null and queue.river_job_state_in_bitmask(unique_states, state);

create unlogged table queue.river_leader (
  elected_at timestamptz not null,
  expires_at timestamptz not null,
  leader_id  text        not null,
  name       text        not null default 'default' primary key,
  constraint name_length check (name = 'default'),
  constraint leader_id_length check (char_length(leader_id) > 0 and char_length(leader_id) < 128)
);
comment on table queue.river_leader is 'Which of several servers moves scheduled work on.';

create table queue.river_queue (
  name       text        not null primary key,
  created_at timestamptz not null default now(),
  metadata   jsonb       not null default '{}',
  paused_at  timestamptz,
  updated_at timestamptz not null default current_timestamp
);

create table queue.river_notification (
  id         bigserial   not null primary key,
  created_at timestamptz not null default now(),
  payload    text        not null,
  topic      text        not null,
  constraint topic_length check (length(topic) > 0 and length(topic) < 128)
);
create index river_notification_created_at_idx on queue.river_notification (created_at);
create index river_notification_topic_id_idx on queue.river_notification (topic, id);
