-- Editions of the fault library. A job's diagnosis names the edition it used, so
-- an edition is never changed or removed once stored.

create table library_versions (
  shop_id    uuid        not null,
  id         uuid        not null,
  number     integer     not null,
  sha256     text        not null,
  edition    integer     not null,
  note       text        not null default '',
  content    bytea       not null,
  is_current boolean     not null,
  stored_at  timestamptz not null,
  by_name    text        not null default '',
  constraint library_versions_pkey primary key (shop_id, id),
  constraint library_versions_shop foreign key (shop_id) references shops (id),
  constraint library_versions_number_unique unique (shop_id, number),
  constraint library_versions_content_unique unique (shop_id, sha256),
  constraint library_versions_number_positive check (number > 0),
  constraint library_versions_edition_not_negative check (edition >= 0),
  constraint library_versions_content_matches check (sha256 = encode(sha256(content), 'hex'))
);
create unique index library_versions_one_current on library_versions (shop_id) where is_current;
comment on index library_versions_one_current is 'A new job uses the current edition, so there is one.';
comment on constraint library_versions_number_unique on library_versions is 'People name an edition by its number.';
comment on constraint library_versions_content_unique on library_versions is 'The same file imported twice is the same edition.';
comment on constraint library_versions_number_positive on library_versions is 'Numbers count up from 1.';
comment on constraint library_versions_edition_not_negative on library_versions is 'The edition is the author''s own count in the file.';
comment on constraint library_versions_content_matches on library_versions is 'The hash proves that a diagnosis can be repeated with what it used.';

create function library_versions_immutable() returns trigger language plpgsql as $$
begin
  if tg_op = 'UPDATE' and
     (new.shop_id, new.id, new.number, new.sha256, new.edition, new.note, new.content, new.stored_at, new.by_name)
       is not distinct from
     (old.shop_id, old.id, old.number, old.sha256, old.edition, old.note, old.content, old.stored_at, old.by_name) then
    return new;
  end if;
  raise exception 'a stored library edition is never changed or deleted'
    using errcode = 'integrity_constraint_violation',
          constraint = 'library_versions_immutable', table = 'library_versions';
end $$;
comment on function library_versions_immutable() is 'Only which edition is current may change.';
create trigger library_versions_immutable before update or delete on library_versions
  for each row execute function library_versions_immutable();
