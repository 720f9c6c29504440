-- What came from earlier records, so that importing them twice is noticed.

create table imported_records (
  shop_id   uuid        not null,
  kind      text        not null,
  reference text        not null,
  record_id uuid        not null,
  at        timestamptz not null,
  constraint imported_records_pkey primary key (shop_id, kind, reference),
  constraint imported_records_shop foreign key (shop_id) references shops (id),
  constraint imported_records_kind_known check (kind in ('boards', 'connectors', 'installed_parts', 'jobs', 'faults', 'repairs')),
  constraint imported_records_reference_present check (btrim(reference) <> '')
);
comment on table imported_records is 'The name that a record had where it was imported from. The key keeps one from being imported twice.';
comment on column imported_records.record_id is 'The record made of it, in the table of its kind; no foreign key, because kinds are several tables.';
comment on constraint imported_records_kind_known on imported_records is 'A reference is unique among the records of its kind.';
comment on constraint imported_records_reference_present on imported_records is 'A record without a name could not be recognised.';
