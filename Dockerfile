FROM python:3.11-slim

RUN useradd --create-home --uid 10001 fishhouse && install -d -o fishhouse /home/fishhouse/data /home/fishhouse/backups
WORKDIR /srv/fishhouse
COPY pyproject.toml constraints.txt README.md LICENSE ./
COPY service service
COPY alembic alembic
RUN pip install --no-cache-dir -c constraints.txt -e .

USER fishhouse
ENV FISHHOUSE_DATA_DIR=/home/fishhouse/data
EXPOSE 8000
CMD ["fishhouse", "serve", "--host", "0.0.0.0", "--port", "8000"]
