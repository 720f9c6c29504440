-- What has become a bad actor, so that everybody is told of it before a board that
-- carries it is opened.

create table recurrence_alerts (
  shop_id          uuid        not null,
  id               uuid        not null,
  grp              text        not null,
  key              text        not null,
  name             text        not null,
  raised_at        timestamptz not null,
  raised           json        not null,
  updated_at       timestamptz not null,
  figures          json        not null,
  cleared_at       timestamptz,
  set_aside_at     timestamptz,
  set_aside_by     text        not null default '',
  set_aside_reason text        not null default '',
  constraint recurrence_alerts_pkey primary key (shop_id, id),
  constraint recurrence_alerts_shop foreign key (shop_id) references shops (id),
  constraint recurrence_alerts_group_known check (grp in ('connector_family', 'part', 'lot', 'action')),
  constraint recurrence_alerts_key_present check (key <> '' and name <> ''),
  constraint recurrence_alerts_times_in_order check (updated_at >= raised_at and cleared_at >= raised_at and set_aside_at >= raised_at),
  constraint recurrence_alerts_figures_objects check (json_typeof(raised) = 'object' and json_typeof(figures) = 'object'),
  constraint recurrence_alerts_set_aside_has_who check ((set_aside_at is null) = (btrim(set_aside_by) = '')),
  constraint recurrence_alerts_set_aside_has_reason check ((set_aside_at is null) = (btrim(set_aside_reason) = ''))
);
comment on table recurrence_alerts is 'Connector families, parts, lots and repair actions that fail more than the others of their group. raised has the figures as they stood then, figures those of the newest look.';
comment on column recurrence_alerts.grp is 'The group of the recurrence report.';
comment on column recurrence_alerts.cleared_at is 'When it no longer held; a later alert of the same key is another row.';
comment on column recurrence_alerts.set_aside_at is 'Since when the owner does not want to be told of it. It holds until the alert clears.';
create unique index recurrence_alerts_one_open on recurrence_alerts (shop_id, grp, key) where cleared_at is null;
comment on index recurrence_alerts_one_open is 'One thing is told of once, however many servers look at the figures. It also serves the open alerts of a shop, which are few.';
comment on constraint recurrence_alerts_group_known on recurrence_alerts is 'Only what some boards carry and others do not can be compared with the others, and found on a board.';
comment on constraint recurrence_alerts_key_present on recurrence_alerts is 'An alert is about something.';
comment on constraint recurrence_alerts_times_in_order on recurrence_alerts is 'An alert is raised before anything else comes of it.';
comment on constraint recurrence_alerts_figures_objects on recurrence_alerts is 'Figures have names.';
comment on constraint recurrence_alerts_set_aside_has_who on recurrence_alerts is 'Whoever sets an alert aside answers for it.';
comment on constraint recurrence_alerts_set_aside_has_reason on recurrence_alerts is 'The next owner must be able to read why.';

create table recurrence_alert_checks (
  shop_id uuid        not null,
  at      timestamptz not null,
  constraint recurrence_alert_checks_pkey primary key (shop_id),
  constraint recurrence_alert_checks_shop foreign key (shop_id) references shops (id)
);
comment on table recurrence_alert_checks is 'When the figures behind the alerts of a shop were last looked at. The row also puts those who look at the same time in order.';
