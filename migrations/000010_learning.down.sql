delete from queue.river_job where kind = 'learn_from_job';
drop table learning_totals;
drop table learning_decisions;
drop table lessons;
alter table jobs drop constraint jobs_learned;
alter table jobs drop column learned_number;
drop table learned_states;
