alter table verifications drop constraint verifications_instrument, drop column instrument_id;
alter table observations drop constraint observations_instrument_measures, drop constraint observations_instrument, drop column instrument_id;
drop table instrument_ranges, instruments;
