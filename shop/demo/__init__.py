"""The invented shop: two workshops with two years behind them, built through the services that real ones use.

families.py engines.py premises.py people.py fleet.py    the world as plain data; every name is invented
seats.py     how the valves of an engine truly are, which nobody in the shop can see: wear, leaves, micrometer
clock.py     plays the stories of the shop in the order of time
founding.py  sites, people, catalogue, the first fill of the drawers
history.py   past jobs; counter.py  what the counter does beside them: buy, receive, inspect, restock, keep
counting.py  counts of bins, most of them over and one under way
bench.py     the six jobs that are open
build.py     all of it in one transaction;  server.py  serves it on loopback

Promise: the same seed on the same day gives the same shop, but for its ids; the audit holds on it.
"""
