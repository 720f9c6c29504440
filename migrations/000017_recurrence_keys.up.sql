-- Serve the drill-down of a part and of a lot: the boards that ever had it, where
-- shop_id = and the key of the report =.
create index installed_parts_by_part on installed_parts (shop_id, coalesce(part_id::text, part_name));
create index installed_parts_by_lot on installed_parts (shop_id, btrim(lot));
