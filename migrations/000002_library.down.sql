drop table library_versions;
drop function library_versions_immutable();
