# The service in a small image. It runs as an ordinary user and writes to /data only, so the rest of the
# file system may be read-only:
#
#   docker build --tag tankside .
#   docker run --read-only --publish 127.0.0.1:8080:8080 --volume tankside:/data tankside
#
# The first key of a new book is written to /data/first-key, for its owner only; delete it once it is kept elsewhere:
#
#   docker exec CONTAINER cat /data/first-key
#
# Images are pinned to a version by name and by digest, so that the bytes are the same every time; raise both together as
# new versions come out (docker buildx imagetools inspect NAME tells the digest).

FROM rust:1.95.0-trixie@sha256:f49565f188ee00bc2a18dd418183f2c5f23ef7d6e691890517ed341a598f67c3 AS build
WORKDIR /src
COPY . .
# The caches outlive the layer, so a changed line of code does not build every dependency again. They are
# not part of the image: the program has to be taken out of the target folder in the same step.
RUN --mount=type=cache,target=/usr/local/cargo/registry \
    --mount=type=cache,target=/src/target \
    cargo build --release --locked --bin tankside \
    && install -D target/release/tankside /out/tankside

# The same Debian release as above: the program uses its C library.
FROM debian:13.1-slim@sha256:a347fd7510ee31a84387619a492ad6c8eb0af2f2682b916ff3e643eb076f925a
# Webhooks go out over TLS; the slim image has no list of authorities.
COPY --from=build /etc/ssl/certs/ca-certificates.crt /etc/ssl/certs/ca-certificates.crt
COPY --from=build /out/tankside /usr/local/bin/tankside
RUN install -d -o 10001 -g 10001 -m 700 /data
# A number, not a name, so that an orchestrator can see that it is not root.
USER 10001:10001
VOLUME /data
WORKDIR /data

# SQLite puts the temporary files of large sorts and of VACUUM where SQLITE_TMPDIR says; its usual places
# are read-only here.
ENV TANKSIDE_LISTEN=0.0.0.0:8080 \
    TANKSIDE_DATABASE_URL=sqlite:///data/tankside.db \
    TANKSIDE_FIRST_KEY_FILE=/data/first-key \
    SQLITE_TMPDIR=/data
EXPOSE 8080
HEALTHCHECK --interval=30s --timeout=5s --start-period=15s --retries=3 \
    CMD ["tankside", "health", "--url", "http://127.0.0.1:8080"]
ENTRYPOINT ["tankside"]
CMD ["serve"]
