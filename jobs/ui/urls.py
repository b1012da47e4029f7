"""Addresses of the job pages, under /at/<site>/."""

from django.urls import path

from jobs.ui import (
    board,
    fitting,
    history,
    holds,
    job,
    keyed_engine,
    plan,
    readings,
    savings,
    sign_off,
    vehicles,
)

urlpatterns = [
    path("", board.board_page, name="board"),
    path("jobs", board.jobs_page, name="jobs"),
    path("jobs/open", job.open_page, name="open_job"),
    path("jobs/open/by-hand", keyed_engine.open_by_hand_page, name="open_by_hand"),
    path("jobs/<uuid:pk>", job.overview_page, name="job"),
    path("jobs/<uuid:pk>/readings", readings.readings_page, name="readings"),
    path("jobs/<uuid:pk>/shims", readings.shims_page, name="shims"),
    path("jobs/<uuid:pk>/plan", plan.plan_page, name="plan"),
    path("jobs/<uuid:pk>/plan/make", plan.plan_button, name="make_plan"),
    path("jobs/<uuid:pk>/plan/<uuid:plan>/hold", plan.hold_button, name="hold_plan"),
    path("jobs/<uuid:pk>/plan/release", plan.release_button, name="release_plan"),
    path("jobs/<uuid:pk>/fitting", fitting.fitting_page, name="fitting"),
    path("jobs/<uuid:pk>/fitting/hand-out", fitting.hand_out_button, name="hand_out"),
    path("jobs/<uuid:pk>/fitting/fit", fitting.fit_page, name="fit"),
    path("jobs/<uuid:pk>/sign-off", sign_off.sign_off_page, name="sign_off"),
    path("jobs/<uuid:pk>/sheet", job.paper_page, name="paper"),
    path("jobs/<uuid:pk>/take-in", job.take_in_page, name="take_in"),
    path("jobs/<uuid:pk>/history", history.job_history_page, name="job_history"),
    path("jobs/<uuid:pk>/history.<slug:ending>", history.job_history_file, name="job_history_file"),
    path("holds/<uuid:pk>/take-over", holds.take_over_page, name="take_over_hold"),
    path("jobs/<uuid:pk>/stop", job.stop_page, name="stop"),
    path("savings", savings.savings_page, name="savings"),
    path("vehicles", vehicles.vehicles_page, name="vehicles"),
    path("vehicles/new", vehicles.new_vehicle_page, name="new_vehicle"),
    path("vehicles/<uuid:pk>", vehicles.vehicle_page, name="vehicle"),
]
