alter table stock_movements drop constraint stock_movements_repair;
alter table installed_parts drop constraint installed_parts_repair;
drop table diagnosis_snapshots, verifications, repair_parts, repairs, faults, installed_parts;
