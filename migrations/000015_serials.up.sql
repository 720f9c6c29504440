-- A piece with a serial is in one board at a time.

-- What was recorded before may contradict itself. It stays as it is, and the report
-- names it; only the newest of such open installations counts for the rule.
alter table installed_parts add column doubled boolean not null default false;
comment on column installed_parts.doubled is 'The serial was recorded as installed elsewhere at the same time, before this was refused.';
update installed_parts x set doubled = true
 where x.removed_at is null and btrim(x.serial) <> ''
   and exists (select from installed_parts y
     where y.shop_id = x.shop_id and y.removed_at is null and btrim(y.serial) <> '' and lower(btrim(y.serial)) = lower(btrim(x.serial))
       and coalesce(y.part_id::text, y.part_name) = coalesce(x.part_id::text, x.part_name)
       and (y.installed_at, y.id) > (x.installed_at, x.id));

create unique index installed_parts_serial_once on installed_parts (shop_id, lower(btrim(serial)), (coalesce(part_id::text, part_name)))
  where removed_at is null and btrim(serial) <> '' and not doubled;
comment on index installed_parts_serial_once is 'One piece cannot be in two boards; else its age would be counted twice.';
-- Serves the life of a piece: every installation of its serial, on any board.
create index installed_parts_by_serial on installed_parts (shop_id, lower(btrim(serial))) where btrim(serial) <> '';
