drop table imported_records;
