drop index installed_parts_by_serial;
drop index installed_parts_serial_once;
alter table installed_parts drop column doubled;
