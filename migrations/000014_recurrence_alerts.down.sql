-- Alerts are raised anew from the records; what was set aside is lost.

delete from queue.river_job where kind = 'check_alerts';
drop table recurrence_alert_checks;
drop table recurrence_alerts;
