package api

import (
	"net"
	"net/netip"

	"github.com/labstack/echo/v4"
)

// addressOf returns how the address of a request is found: the connection's, unless that is one of the trusted proxies, and
// then the last in X-Forwarded-For that is none of them. What stands before that, anybody may have written.
func addressOf(proxies []netip.Prefix) echo.IPExtractor {
	if len(proxies) == 0 {
		return echo.ExtractIPDirect()
	}
	// Left to itself echo trusts whoever is on the same machine or in a private network.
	trust := []echo.TrustOption{echo.TrustLoopback(false), echo.TrustLinkLocal(false), echo.TrustPrivateNet(false)}
	for _, p := range proxies {
		p = p.Masked()
		trust = append(trust, echo.TrustIPRange(&net.IPNet{
			IP: p.Addr().AsSlice(), Mask: net.CIDRMask(p.Bits(), p.Addr().BitLen()),
		}))
	}
	return echo.ExtractIPFromXFFHeader(trust...)
}
