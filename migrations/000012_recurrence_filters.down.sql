drop index connectors_by_family;
drop index boards_by_model;
