drop table customers, api_tokens, sessions, users, shop_counters, shops;
drop function forbid_change();
