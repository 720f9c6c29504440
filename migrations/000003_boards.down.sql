drop table connectors, boards;
