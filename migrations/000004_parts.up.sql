-- Parts and the ledger of their stock.

create table parts (
  shop_id         uuid        not null,
  id              uuid        not null,
  number          text        not null,
  name            text        not null,
  component       text        not null default '',
  supplier        text        not null default '',
  unit_cost_minor bigint,
  currency        text        not null,
  min_stock       integer     not null default 0,
  stock           integer     not null default 0,
  entries         integer     not null default 0,
  note            text        not null default '',
  created_at      timestamptz not null,
  version         integer     not null default 1,
  constraint parts_pkey primary key (shop_id, id),
  constraint parts_shop foreign key (shop_id) references shops (id),
  constraint parts_number_present check (btrim(number) <> ''),
  constraint parts_name_present check (btrim(name) <> ''),
  constraint parts_currency_form check (currency ~ '^[A-Z]{3}$'),
  constraint parts_cost_not_negative check (unit_cost_minor >= 0),
  constraint parts_min_stock_not_negative check (min_stock >= 0),
  constraint parts_version_positive check (version > 0)
);
comment on column parts.stock is 'The sum of the ledger, kept by its trigger; nothing else may write it.';
comment on column parts.entries is 'How many entries the ledger has; gives each its place.';
-- Serves the list of parts with its cursor too: order by lower(btrim(number)), id.
create unique index parts_number_unique on parts (shop_id, lower(btrim(number)));
comment on index parts_number_unique is 'A part number names one article of a shop, however it is typed.';
comment on constraint parts_number_present on parts is 'Parts are ordered and labelled by number.';
comment on constraint parts_name_present on parts is 'Lists and printouts show the name.';
comment on constraint parts_currency_form on parts is 'Money is in minor units of an ISO 4217 alphabetic code.';
comment on constraint parts_cost_not_negative on parts is 'A cost below zero would make the part an income.';
comment on constraint parts_min_stock_not_negative on parts is 'Stock is never below zero, so a lower mark would never be reached.';
comment on constraint parts_version_positive on parts is 'The version is the ETag of an edit.';

create table stock_movements (
  shop_id         uuid        not null,
  id              uuid        not null,
  part_id         uuid        not null,
  entry           integer     not null,
  quantity        integer     not null,
  balance         integer     not null,
  reason          text        not null,
  lot             text        not null default '',
  unit_cost_minor bigint,
  repair_id       uuid,
  at              timestamptz not null,
  by_name         text        not null default '',
  note            text        not null default '',
  constraint stock_movements_pkey primary key (shop_id, id),
  -- Serves the ledger of a part, newest first: order by entry desc.
  constraint stock_movements_entry_unique unique (shop_id, part_id, entry),
  constraint stock_movements_part foreign key (shop_id, part_id) references parts (shop_id, id),
  constraint stock_movements_quantity_not_zero check (quantity <> 0),
  constraint stock_movements_reason_known check (reason in ('received', 'used', 'returned', 'counted', 'scrapped')),
  constraint stock_movements_sign check (
    case reason when 'received' then quantity > 0 when 'used' then quantity < 0 when 'scrapped' then quantity < 0 else true end),
  constraint stock_movements_cost_not_negative check (unit_cost_minor >= 0),
  constraint stock_not_negative check (balance >= 0)
);
comment on table stock_movements is 'The ledger. A wrong entry is put right by another, never by a change.';
comment on column stock_movements.balance is 'The stock after this entry, written by the trigger.';
comment on constraint stock_movements_entry_unique on stock_movements is 'Entries have one order, that of their balances.';
comment on constraint stock_movements_part on stock_movements is 'An entry is about a part of the same shop.';
comment on constraint stock_movements_quantity_not_zero on stock_movements is 'An entry that moves nothing says nothing.';
comment on constraint stock_movements_reason_known on stock_movements is 'Reports tell use from scrap by the reason.';
comment on constraint stock_movements_sign on stock_movements is 'Received adds, used and scrapped take away; a count or a return may go either way.';
comment on constraint stock_movements_cost_not_negative on stock_movements is 'A cost below zero would make the part an income.';
comment on constraint stock_not_negative on stock_movements is 'A shelf does not hold fewer than none: the count is wrong, or the part was not there to use.';

create function stock_movements_post() returns trigger language plpgsql as $$
begin
  -- The update locks the part's row until the end of the transaction, so that
  -- entries of one part are made one after another, each on the balance before.
  update parts set stock = stock + new.quantity, entries = entries + 1
   where shop_id = new.shop_id and id = new.part_id
  returning stock, entries into new.balance, new.entry;
  if not found then
    raise exception 'no such part' using errcode = 'foreign_key_violation',
      constraint = 'stock_movements_part', table = 'stock_movements';
  end if;
  return new;
end $$;
comment on function stock_movements_post() is 'Writes the balance of an entry and the stock of its part in one step.';
create trigger stock_movements_post before insert on stock_movements
  for each row execute function stock_movements_post();
create trigger stock_movements_immutable before update or delete on stock_movements
  for each row execute function forbid_change();

create function parts_stock_is_ledger() returns trigger language plpgsql as $$
begin
  if tg_op = 'INSERT' and (new.stock, new.entries) = (0, 0)
     or tg_op = 'UPDATE' and ((new.stock, new.entries) = (old.stock, old.entries) or pg_trigger_depth() > 1) then
    return new;
  end if;
  raise exception 'stock changes through the ledger only'
    using errcode = 'integrity_constraint_violation', constraint = 'parts_stock_is_ledger', table = 'parts';
end $$;
comment on function parts_stock_is_ledger() is 'Stock that differs from the sum of its entries could not be explained to anyone.';
create trigger parts_stock_is_ledger before insert or update on parts
  for each row execute function parts_stock_is_ledger();
