-- What an earlier edition cannot hold is lost: the causes found sound, and the reasons.

alter table faults
  drop constraint faults_disagreement_known,
  drop constraint faults_advised_another,
  drop column basis,
  drop column grounds,
  drop column disagreement,
  drop column advised;

drop index observations_active_once;
delete from observations where kind = 'cause';
alter table observations
  drop constraint observations_note_has_use,
  drop constraint observations_other_reason_has_note,
  drop constraint observations_reason_if_unavailable,
  drop constraint observations_reason_known,
  drop constraint observations_result_fits,
  drop constraint observations_one_finding,
  drop column note,
  drop column unavailable_reason,
  drop column cause,
  add constraint observations_one_finding check (
    kind = 'symptom' and symptom <> '' and measurement = '' or
    kind = 'measurement' and measurement <> '' and symptom = '' and not present),
  add constraint observations_result_fits check (
    case when kind = 'symptom' or unavailable then result is null else result is not null end);
comment on constraint observations_one_finding on observations is 'An observation is of one symptom or one measurement.';
comment on constraint observations_result_fits on observations is 'A measurement taken has a result; a symptom, or a measurement that cannot be taken, has none.';
create unique index observations_active_once on observations (shop_id, job_id, symptom, measurement)
  where retracted_at is null and superseded_by is null and invalidated_at is null and not unavailable;
comment on index observations_active_once is 'Two live records of one finding would count its evidence twice.';
