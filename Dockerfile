# The server in an empty file system: one static binary, the certificates it trusts, and a user that owns /data and /tmp.
FROM golang:1.26.8 AS build
WORKDIR /src
COPY go.mod go.sum ./
RUN go mod download && go mod verify
COPY . .
RUN CGO_ENABLED=0 go build -trimpath -ldflags="-s -w" -o /image/swallowtail ./cmd/swallowtail
RUN mkdir -p /owned/data /owned/tmp /image/etc/ssl/certs \
	&& cp /etc/ssl/certs/ca-certificates.crt /image/etc/ssl/certs/ \
	&& echo 'swallowtail:x:65532:65532:swallowtail:/data:/sbin/nologin' > /image/etc/passwd \
	&& echo 'swallowtail:x:65532:' > /image/etc/group

FROM scratch
COPY --from=build /image/ /
COPY --from=build --chown=65532:65532 /owned/ /
USER 65532:65532
WORKDIR /data
VOLUME /data
EXPOSE 8080
HEALTHCHECK --interval=30s --timeout=5s --start-period=10s --retries=3 \
	CMD ["/swallowtail", "health", "--addr", "127.0.0.1:8080"]
STOPSIGNAL SIGTERM
ENTRYPOINT ["/swallowtail"]
CMD ["serve", "--addr", "0.0.0.0:8080", "--db", "/data/swallowtail.db"]
