-- The technician in charge: why a measurement cannot be taken, causes that were
-- looked at and are sound, and why a fault was confirmed against the advice.

alter table observations
  add column cause              text not null default '',
  add column unavailable_reason text not null default '',
  add column note               text not null default '',
  drop constraint observations_one_finding,
  drop constraint observations_result_fits,
  add constraint observations_one_finding check (
    kind = 'symptom' and symptom <> '' and measurement = '' and cause = '' or
    kind = 'measurement' and measurement <> '' and symptom = '' and cause = '' and not present or
    kind = 'cause' and cause <> '' and symptom = '' and measurement = '' and not present),
  add constraint observations_result_fits check (
    case when kind <> 'measurement' or unavailable then result is null else result is not null end),
  add constraint observations_reason_known check (
    unavailable_reason in ('', 'no_instrument', 'no_access', 'would_damage', 'customer_declined', 'other')),
  add constraint observations_reason_if_unavailable check (unavailable_reason = '' or unavailable),
  add constraint observations_other_reason_has_note check (unavailable_reason <> 'other' or btrim(note) <> ''),
  add constraint observations_note_has_use check (note = '' or unavailable_reason <> '' or kind = 'cause');
comment on column observations.cause is 'A cause that was looked at and found sound.';
comment on column observations.unavailable_reason is 'Why a measurement cannot be taken; empty where that was not said.';
comment on constraint observations_one_finding on observations is 'An observation is of one symptom, one measurement or one cause that is sound.';
comment on constraint observations_result_fits on observations is 'A measurement taken has a result; a symptom, a cause, or a measurement that cannot be taken, has none.';
comment on constraint observations_reason_known on observations is 'What keeps a shop from measuring is counted by reason.';
comment on constraint observations_reason_if_unavailable on observations is 'A measurement that was taken needs no reason why not.';
comment on constraint observations_other_reason_has_note on observations is 'Other says nothing without words.';
comment on constraint observations_note_has_use on observations is 'A note says why it cannot be measured, or what was seen of a sound cause.';

drop index observations_active_once;
create unique index observations_active_once on observations (shop_id, job_id, symptom, measurement, cause)
  where retracted_at is null and superseded_by is null and invalidated_at is null and not unavailable;
comment on index observations_active_once is 'Two live records of one finding would count its evidence twice.';

alter table faults
  add column advised      text not null default '',
  add column disagreement text not null default '',
  add column grounds      text not null default '',
  add column basis        text not null default '',
  add constraint faults_advised_another check (advised = '' or advised <> cause),
  add constraint faults_disagreement_known check (
    disagreement in ('', 'seen_directly', 'tested_another', 'known_here', 'advice_refuted', 'other'));
comment on column faults.advised is 'The cause whose repair was advised when this one was confirmed; empty where another step was.';
comment on column faults.disagreement is 'Why another cause than the advised one was confirmed; empty where that was not said.';
comment on column faults.basis is 'What spoke for and against the cause at that moment, in sentences.';
comment on constraint faults_advised_another on faults is 'Following the advice is no disagreement.';
comment on constraint faults_disagreement_known on faults is 'What the advice misses is counted by reason.';
