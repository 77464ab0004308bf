package client

import (
	"context"
	"net/http"
)

// HTTPTransport carries sync calls to a server over HTTP, larger ones compressed.
type HTTPTransport struct {
	Base      string       // such as http://127.0.0.1:8080
	HTTP      *http.Client // nil is http.DefaultClient
	Tokens    *Tokens
	MaxAnswer int64 // the most bytes of an answer after decompression; 0 is 64 MiB
}

var _ Transport = HTTPTransport{}

// Sync posts the call. When the access token is refused the pair is refreshed once and the call repeated. An answer
// larger than MaxAnswer is ErrAnswerSize.
func (t HTTPTransport) Sync(ctx context.Context, request Request) (Response, error) {
	var answer Response
	err := t.Tokens.Do(ctx, func(access string) error {
		answer = Response{}
		c := httpCall{
			client: t.HTTP, base: t.Base, token: access, method: http.MethodPost, path: "/v1/sync", in: request,
			compress: true, maxAnswer: t.MaxAnswer,
		}
		return c.do(ctx, &answer)
	})
	return answer, err
}
