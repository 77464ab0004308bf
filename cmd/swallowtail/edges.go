package main

import (
	"errors"
	"flag"
	"fmt"
	"net/netip"
	"net/url"
	"strings"

	"swallowtail/api"
)

// edges is how a server meets the network. The zero value is that of a server without bounds on how often it is called, in
// plain HTTP, that trusts no proxy.
type edges struct {
	limits  api.Limits
	proxies prefixes
	origins origins
	cert    string // a file of certificates; with key, or neither
	key     string
	// inviteLink is where the family's app takes an invite's code; empty where there is no such address.
	inviteLink appAddress
	// public is where families' programs and mail readers reach the service; empty for where it is bound.
	public publicAddress
	admin  string // the address for metrics and profiles; empty for none
}

// flags adds the flags of the edges, with what is usual.
func (e *edges) flags(set *flag.FlagSet) {
	usual := api.UsualLimits()
	set.TextVar(&e.limits.Address, "rate-address", usual.Address,
		"how many requests an address may make a `second/at once`, 0 for no bound")
	set.TextVar(&e.limits.Guess, "rate-sign-in", usual.Guess,
		"how often an address may sign in, as often again refresh, enrol, or send a bad token, a `second/at once`, 0 for no bound")
	set.TextVar(&e.limits.Caller, "rate-caller", usual.Caller,
		"how many requests a device, clinician or service token may make a `second/at once`, 0 for no bound")
	set.Var(&e.proxies, "trusted-proxy", "the `networks`, as CIDR with commas between, of proxies whose X-Forwarded-For is believed")
	set.Var(&e.origins, "cors-origin", "the `origins`, with commas between, whose pages may call from a browser, such as https://app.example.org")
	set.Var(&e.inviteLink, "invite-link", "the `address` at which the family's app takes an invite's code, behind a #, such as https://app.example.org/enrol")
	set.Var(&e.public, "public-url", "the `address` at which families' calendars and mail readers reach this server, such as https://practice.example.org; without it there are no reminders by e-mail and no calendars, unless it is bound to loopback")
	set.StringVar(&e.cert, "tls-cert", "", "a `file` of PEM certificates, the server's first, to serve HTTPS with; read again when it changes")
	set.StringVar(&e.key, "tls-key", "", "the `file` of its private key, PEM, readable by its owner alone")
	set.StringVar(&e.admin, "admin-addr", "", "the `address` to serve metrics and profiles at, for operators alone; nowhere when empty")
}

func (e *edges) check() error {
	if (e.cert == "") != (e.key == "") {
		return errors.New("give --tls-cert and --tls-key, or neither")
	}
	return nil
}

// prefixes are networks.
type prefixes []netip.Prefix

// String implements flag.Value.
func (p *prefixes) String() string {
	var texts []string
	for _, prefix := range *p {
		texts = append(texts, prefix.String())
	}
	return strings.Join(texts, ",")
}

// Set implements flag.Value. Networks that hold everybody are refused: then anybody could make up an address.
func (p *prefixes) Set(text string) error {
	*p = nil
	if text == "" {
		return nil
	}
	for part := range strings.SplitSeq(text, ",") {
		prefix, err := netip.ParsePrefix(strings.TrimSpace(part))
		if err != nil {
			return fmt.Errorf("%q is no network: give such as 10.0.0.0/8 or 192.0.2.1/32", part)
		}
		if prefix.Bits() == 0 || prefix.Addr().Is4In6() {
			return fmt.Errorf("%q can't be trusted: name the proxies' own networks, IPv4 as IPv4", part)
		}
		*p = append(*p, prefix.Masked())
	}
	return nil
}

// origins are where pages come from (RFC 6454).
type origins []string

// String implements flag.Value.
func (o *origins) String() string { return strings.Join(*o, ",") }

// Set implements flag.Value. It takes exact origins alone, over HTTPS.
func (o *origins) Set(text string) error {
	*o = nil
	if text == "" {
		return nil
	}
	for part := range strings.SplitSeq(text, ",") {
		origin := strings.TrimSpace(part)
		at, err := url.Parse(origin)
		if err != nil || at.Scheme != "https" || at.Hostname() == "" || strings.ContainsAny(at.Host, "*") ||
			origin != "https://"+strings.ToLower(at.Host) || strings.HasSuffix(at.Host, ":443") || strings.HasSuffix(at.Host, ":") {
			return fmt.Errorf("%q is no origin: give such as https://app.example.org, in small letters, with a port only if it is not 443", part)
		}
		*o = append(*o, origin)
	}
	return nil
}

// publicAddress is where a server is reached, such as https://practice.example.org.
type publicAddress string

// String implements flag.Value.
func (a *publicAddress) String() string { return string(*a) }

// Set implements flag.Value. What goes to families' calendars and mail readers is secret, so only a machine's own address may do
// without HTTPS.
func (a *publicAddress) Set(text string) error {
	at, err := url.Parse(text)
	if text == "" {
		*a = ""
		return nil
	}
	plain := err == nil && at.Scheme == "http" && isLoopback(at.Hostname())
	if err != nil || (at.Scheme != "https" && !plain) || at.Hostname() == "" || at.User != nil || strings.ContainsAny(text, "?#") {
		return fmt.Errorf("%q is no public address: give such as https://practice.example.org", text)
	}
	*a = publicAddress(strings.TrimRight(text, "/"))
	return nil
}

func isLoopback(host string) bool {
	at, err := netip.ParseAddr(host)
	return host == "localhost" || (err == nil && at.IsLoopback())
}

// appAddress is where an app takes over, such as https://app.example.org/enrol.
type appAddress string

// String implements flag.Value.
func (a *appAddress) String() string { return string(*a) }

// Set implements flag.Value. What comes behind the # is ours, and never crosses a network in the clear.
func (a *appAddress) Set(text string) error {
	at, err := url.Parse(text)
	if text != "" && (err != nil || at.Scheme != "https" || at.Hostname() == "" || at.User != nil || strings.Contains(text, "#")) {
		return fmt.Errorf("%q is no address of an app: give such as https://app.example.org/enrol", text)
	}
	*a = appAddress(text)
	return nil
}
