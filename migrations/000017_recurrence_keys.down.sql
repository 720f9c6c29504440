drop index installed_parts_by_lot;
drop index installed_parts_by_part;
