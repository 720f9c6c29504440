alter table jobs drop constraint jobs_state_in_history;
drop table access_events, observations, job_states, jobs;
