drop table stock_movements, parts;
drop function stock_movements_post();
drop function parts_stock_is_ledger();
