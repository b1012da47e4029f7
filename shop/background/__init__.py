"""Work for later (law 3): rows with leases and fencing numbers, worked by whoever claims them first.

queue.py      services write tasks and events, in their own transaction
registry.py   what each kind of task does, what runs at set times, who hears of which event
claims.py     who may work on a task and who may finish it: the promises F1 to F3 and F19 rest here
context.py    what a handler sees of its task
work.py       claim, run and finish tasks; keep leases alive; sweep lost ones; hand on events
loop.py       the embedded default: the same rows worked by threads of the one process
announce.py   say that a task is there, to the loop and to Celery; never in a request's way
pump.py       Celery's side: what a beat has the worker do every few seconds
"""
