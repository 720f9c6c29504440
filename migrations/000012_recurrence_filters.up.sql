-- What the recurrence report can be narrowed to, and the boards that remain.

-- Serves the filter by model, and the list of models, which jumps from one to the
-- next: over 200,000 boards of some dozen models that is a few dozen index probes, where reading
-- and sorting them all would be what the page waits for.
create index boards_by_model on boards (shop_id, lower(btrim(btrim(make) || ' ' || btrim(model))));
-- Serves the filter by connector family and the list of families, likewise.
create index connectors_by_family on connectors (shop_id, btrim(family));
