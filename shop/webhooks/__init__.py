"""Events to the outside, as signed webhooks by the Standard Webhooks specification 1.0.0 (bar A14).

events.py      the closed list of events, and the one function that writes one down
signing.py     secrets and signatures
targets.py     which addresses may be sent to: no way into the shop's own network
sending.py     one request: to the address that was checked, no redirects, a limit on its time
endpoints.py   register, rotate the secret, disable, enable
deliveries.py  one event for one endpoint: tried until it is taken or dead, replayed by hand
delivering.py  the background tasks that work them

An event waits in the outbox from the transaction of its cause on. From there it is at least once: a receiver
that sees a webhook-id again has had the event already.
"""
