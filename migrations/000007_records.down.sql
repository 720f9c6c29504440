drop table idempotency_keys, audit_events, attachments;
