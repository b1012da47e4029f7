# syntax=docker/dockerfile:1
# The service on PostgreSQL: web, worker and beat are one image with different commands (docker-compose.yml).
# This image was not built where it was written: there was no engine. Lint it, build it, try it, then trust it.
FROM python:3.11-slim-bookworm AS built

ENV PYTHONDONTWRITEBYTECODE=1 PIP_NO_CACHE_DIR=1 PIP_DISABLE_PIP_VERSION_CHECK=1
WORKDIR /srv/coldgap
COPY requirements/uv.txt requirements/runtime.txt requirements/
RUN python -m venv /opt/venv \
    && /opt/venv/bin/python -m pip install --require-hashes -r requirements/uv.txt \
    && /opt/venv/bin/uv pip install --no-cache --python /opt/venv/bin/python --require-hashes \
        -r requirements/runtime.txt \
    && /opt/venv/bin/uv pip uninstall --python /opt/venv/bin/python uv

COPY manage.py ./
COPY shop shop
COPY inventory inventory
COPY jobs jobs
COPY api api
# Static files are named by their content. The key is for this one command and signs nothing that is kept.
RUN COLDGAP_ENV=production COLDGAP_ALLOWED_HOSTS=build.invalid REDIS_URL='' DATABASE_URL=sqlite:////tmp/none \
    COLDGAP_SECRET_KEY="$(/opt/venv/bin/python -c 'import secrets; print(secrets.token_urlsafe(64))')" \
    /opt/venv/bin/python manage.py collectstatic --no-input

FROM python:3.11-slim-bookworm

ENV PATH=/opt/venv/bin:$PATH PYTHONDONTWRITEBYTECODE=1 PYTHONUNBUFFERED=1 COLDGAP_ENV=production
RUN useradd --system --uid 10001 --home-dir /srv/coldgap coldgap
COPY --from=built /opt/venv /opt/venv
COPY --from=built /srv/coldgap /srv/coldgap
WORKDIR /srv/coldgap
USER 10001
EXPOSE 8000
# The pool of connections is each process's own: processes x COLDGAP_DATABASE_POOL_SIZE must stay below
# PostgreSQL's max_connections. A connection kept open stays with its worker: one per request goes to the worker
# that has time for it.
CMD ["gunicorn", "shop.wsgi", "--bind", "0.0.0.0:8000", "--worker-class", "shop.serving.Worker", \
     "--workers", "2", "--threads", "8", "--keep-alive", "0", "--worker-tmp-dir", "/dev/shm", \
     "--graceful-timeout", "30", "--access-logfile", "/dev/null"]
