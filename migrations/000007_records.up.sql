-- Attachments, the audit log, and the remembered answers to POSTs.

create table attachments (
  shop_id    uuid        not null,
  id         uuid        not null,
  board_id   uuid,
  job_id     uuid,
  name       text        not null,
  media_type text        not null,
  sha256     text        not null,
  content    bytea       not null,
  at         timestamptz not null,
  by_name    text        not null default '',
  constraint attachments_pkey primary key (shop_id, id),
  constraint attachments_board foreign key (shop_id, board_id) references boards (shop_id, id),
  constraint attachments_job foreign key (shop_id, job_id) references jobs (shop_id, id),
  constraint attachments_one_subject check (num_nonnulls(board_id, job_id) = 1),
  constraint attachments_name_present check (btrim(name) <> ''),
  constraint attachments_media_type_form check (media_type ~ '^[a-z0-9.+-]+/[a-z0-9.+-]+$'),
  constraint attachments_content_matches check (sha256 = encode(sha256(content), 'hex'))
);
-- Serve the list of what is attached to a job or a board.
create index attachments_by_job on attachments (shop_id, job_id) where job_id is not null;
create index attachments_by_board on attachments (shop_id, board_id) where board_id is not null;
comment on table attachments is 'Photos and files of a job or a board.';
comment on constraint attachments_board on attachments is 'It shows a board of the same shop.';
comment on constraint attachments_job on attachments is 'It belongs to a job of the same shop.';
comment on constraint attachments_one_subject on attachments is 'A file is about a job or about a board.';
comment on constraint attachments_name_present on attachments is 'People pick a file by its name.';
comment on constraint attachments_media_type_form on attachments is 'A browser is told what it gets.';
comment on constraint attachments_content_matches on attachments is 'A photo of damage is evidence; the hash shows that it is unchanged.';

create table audit_events (
  shop_id      uuid        not null,
  id           uuid        not null,
  at           timestamptz not null,
  by_name      text        not null default '',
  actor_id     uuid        not null,
  action       text        not null,
  subject_kind text        not null,
  subject_id   uuid        not null,
  detail       jsonb       not null default '{}',
  constraint audit_events_pkey primary key (shop_id, id),
  constraint audit_events_shop foreign key (shop_id) references shops (id),
  constraint audit_events_action_present check (action <> ''),
  constraint audit_events_detail_object check (jsonb_typeof(detail) = 'object')
);
comment on table audit_events is 'Who did what and when. Never changed.';
-- Serves the log of one thing, newest first: where subject_id = order by at desc, id desc.
create index audit_events_by_subject on audit_events (shop_id, subject_id, at desc, id desc);
comment on constraint audit_events_action_present on audit_events is 'An entry says what was done.';
comment on constraint audit_events_detail_object on audit_events is 'Details are named.';
create trigger audit_events_immutable before update or delete on audit_events
  for each row execute function forbid_change();

create table idempotency_keys (
  shop_id      uuid        not null,
  key          text        not null,
  request_hash bytea       not null,
  claimed_at   timestamptz not null,
  status       integer,
  header       jsonb,
  body         bytea,
  constraint idempotency_keys_pkey primary key (shop_id, key),
  constraint idempotency_keys_shop foreign key (shop_id) references shops (id),
  constraint idempotency_keys_key_form check (key <> '' and length(key) <= 255),
  constraint idempotency_keys_hash_present check (octet_length(request_hash) > 0),
  constraint idempotency_keys_status_range check (status between 100 and 599),
  constraint idempotency_keys_answer_whole check ((status is null) = (header is null) and (status is null) = (body is null))
);
comment on table idempotency_keys is 'Answers to POSTs by Idempotency-Key, so that a repeated request is answered, not done, again.';
-- Serves the sweep of old keys: delete where claimed_at <.
create index idempotency_keys_by_claim on idempotency_keys (shop_id, claimed_at);
comment on constraint idempotency_keys_key_form on idempotency_keys is 'A key is 1 to 255 characters.';
comment on constraint idempotency_keys_hash_present on idempotency_keys is 'A key used for another request must be refused.';
comment on constraint idempotency_keys_status_range on idempotency_keys is 'An HTTP status has three digits (RFC 9110).';
comment on constraint idempotency_keys_answer_whole on idempotency_keys is 'An answer is repeated whole or not at all.';
