-- Shops (the tenants), the people and tokens that act in them, and the customers.
--
-- Conventions of the whole schema:
--   * shop_id is the first column of every primary key, foreign key and unique
--     index of a tenant table, so that no key reaches into another shop and the
--     schema can be distributed by shop;
--   * every invariant is a named constraint; store/errors.go turns its name into
--     a message for the person who broke it;
--   * by_name is who did it, as shown at that time; it is no foreign key, because
--     a record must outlive the account behind it.

create function forbid_change() returns trigger language plpgsql as $$
begin
  raise exception 'rows of % are never changed or deleted', tg_table_name
    using errcode = 'integrity_constraint_violation',
          constraint = tg_table_name || '_immutable', table = tg_table_name;
end $$;
comment on function forbid_change() is 'Guards the tables that are evidence: what happened is added to, never rewritten.';

create table shops (
  id            uuid        not null,
  slug          text        not null,
  name          text        not null,
  currency      text        not null,
  labour_minor  bigint      not null,
  warranty_days integer     not null,
  created_at    timestamptz not null,
  constraint shops_pkey primary key (id),
  constraint shops_slug_unique unique (slug),
  constraint shops_slug_form check (slug ~ '^[a-z0-9]+(-[a-z0-9]+)*$' and length(slug) <= 63),
  constraint shops_name_present check (btrim(name) <> ''),
  constraint shops_currency_form check (currency ~ '^[A-Z]{3}$'),
  constraint shops_labour_not_negative check (labour_minor >= 0),
  constraint shops_warranty_not_negative check (warranty_days >= 0)
);
comment on table shops is 'A tenant. The only table, with sessions, that has no shop_id.';
comment on constraint shops_slug_unique on shops is 'Commands and addresses name a shop by its slug.';
comment on constraint shops_slug_form on shops is 'The slug stands in addresses and file names.';
comment on constraint shops_name_present on shops is 'Pages and printouts show the name.';
comment on constraint shops_currency_form on shops is 'Money is in minor units of an ISO 4217 alphabetic code.';
comment on constraint shops_labour_not_negative on shops is 'The advice weighs minutes with the labour rate; a negative one would reward slow tests.';
comment on constraint shops_warranty_not_negative on shops is 'Warranty counts forward from the day of return.';

create table shop_counters (
  shop_id      uuid    not null,
  last_job     integer not null default 0,
  last_library integer not null default 0,
  constraint shop_counters_pkey primary key (shop_id),
  constraint shop_counters_shop foreign key (shop_id) references shops (id),
  constraint shop_counters_not_negative check (last_job >= 0 and last_library >= 0)
);
comment on table shop_counters is 'The last job and library number given. Its row lock orders the writers, and a rollback takes the number back, so that numbers have neither races nor gaps.';
comment on constraint shop_counters_not_negative on shop_counters is 'Numbers count up from 1.';

create table users (
  shop_id       uuid        not null,
  id            uuid        not null,
  login         text        not null,
  name          text        not null,
  role          text        not null,
  password_hash text        not null,
  disabled_at   timestamptz,
  created_at    timestamptz not null,
  constraint users_pkey primary key (shop_id, id),
  constraint users_shop foreign key (shop_id) references shops (id),
  constraint users_login_present check (btrim(login) <> ''),
  constraint users_role_known check (role in ('owner', 'technician', 'counter')),
  constraint users_password_present check (password_hash <> '')
);
-- Serves the sign-in: where shop_id = and lower(btrim(login)) =.
create unique index users_login_unique on users (shop_id, lower(btrim(login)));
comment on index users_login_unique is 'A login names one person of a shop, however it is typed.';
comment on constraint users_login_present on users is 'The sign-in asks for it.';
comment on constraint users_role_known on users is 'Rights hang on the role; an unknown one would have none or all.';
comment on constraint users_password_present on users is 'An empty hash must never sign anyone in.';

create table sessions (
  token  text        not null,
  data   bytea       not null,
  expiry timestamptz not null,
  constraint sessions_pkey primary key (token)
);
comment on table sessions is 'Sign-ins of the pages. A session is found before its shop is known, so it carries no shop_id; the shop is inside its data.';
-- Serves the sweep: delete where expiry <.
create index sessions_by_expiry on sessions (expiry);

create table api_tokens (
  shop_id      uuid        not null,
  id           uuid        not null,
  name         text        not null,
  role         text        not null,
  hash         bytea       not null,
  created_at   timestamptz not null,
  last_used_at timestamptz,
  revoked_at   timestamptz,
  constraint api_tokens_pkey primary key (shop_id, id),
  constraint api_tokens_shop foreign key (shop_id) references shops (id),
  constraint api_tokens_hash_unique unique (shop_id, hash),
  constraint api_tokens_name_present check (btrim(name) <> ''),
  constraint api_tokens_role_known check (role in ('owner', 'technician', 'counter')),
  constraint api_tokens_hash_is_sha256 check (octet_length(hash) = 32)
);
-- Serves the look-up of a bearer token, whose shop is not known yet: where hash =.
create index api_tokens_by_hash on api_tokens (hash);
create unique index api_tokens_name_unique on api_tokens (shop_id, lower(btrim(name))) where revoked_at is null;
comment on index api_tokens_name_unique is 'A token is revoked by its name, so a live name is used once; a revoked one is free again.';
comment on constraint api_tokens_hash_unique on api_tokens is 'One secret is one token.';
comment on constraint api_tokens_name_present on api_tokens is 'The owner tells tokens apart by name.';
comment on constraint api_tokens_role_known on api_tokens is 'Rights hang on the role.';
comment on constraint api_tokens_hash_is_sha256 on api_tokens is 'Only the SHA-256 of the secret is kept, never the secret.';

create table customers (
  shop_id    uuid        not null,
  id         uuid        not null,
  name       text        not null,
  contact    text        not null default '',
  created_at timestamptz not null,
  constraint customers_pkey primary key (shop_id, id),
  constraint customers_shop foreign key (shop_id) references shops (id),
  constraint customers_name_present check (btrim(name) <> '')
);
comment on constraint customers_name_present on customers is 'The counter hands a board back to somebody.';
