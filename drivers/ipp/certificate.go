package ipp

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"

	"tandem/drivers"
)

// certificateError says that a printer's certificate is not trusted, and how a person comes to trust it.
type certificateError struct {
	host string
	leaf *x509.Certificate
	err  error
}

// unknownCertificate makes a certificateError of an error that was one of a certificate; nil if it was not.
func unknownCertificate(err error, uri string) error {
	bad, ok := errors.AsType[*tls.CertificateVerificationError](err)
	if !ok || len(bad.UnverifiedCertificates) == 0 {
		return nil
	}
	host := uri
	if u, err := url.Parse(uri); err == nil {
		host = u.Hostname()
	}
	return &certificateError{host, bad.UnverifiedCertificates[0], bad.Err}
}

// Fingerprint is the SHA-256 of the certificate, as printers and browsers show it.
func (e *certificateError) Fingerprint() string {
	sum := sha256.Sum256(e.leaf.Raw)
	parts := make([]string, len(sum))
	for i, b := range sum {
		parts[i] = fmt.Sprintf("%02X", b)
	}
	return strings.Join(parts, ":")
}

// PEM is the certificate as the setting ca-file wants it.
func (e *certificateError) PEM() []byte {
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: e.leaf.Raw})
}

func (e *certificateError) Error() string {
	names := slices.Clone(e.leaf.DNSNames)
	for _, ip := range e.leaf.IPAddresses {
		names = append(names, ip.String())
	}
	what := fmt.Sprintf("its certificate is not trusted (%v).\n  SHA-256 fingerprint %s\n  made out to %s for %s, by %s, until %s\n", e.err, e.Fingerprint(),
		drivers.PlainLine(orNobody(e.leaf.Subject.String())), drivers.PlainLine(orNobody(strings.Join(names, ", "))), drivers.PlainLine(orNobody(e.leaf.Issuer.String())),
		e.leaf.NotAfter.UTC().Format("2006-01-02"))
	if _, ok := errors.AsType[x509.HostnameError](e.err); ok {
		if len(names) == 0 {
			return what + "It names no host at all: make the device a certificate with its name or address as an alternative name."
		}
		return what + fmt.Sprintf("It is not made out to %s. Compare the fingerprint with the one that the device itself shows; if they are the same, give --server-name %s.", e.host, drivers.PlainLine(names[0]))
	}
	return what + "Compare the fingerprint with the one that the device itself shows. If they are the same, save the certificate with --save-certificate FILE and give it with --ca-file FILE."
}

func orNobody(s string) string {
	if s == "" {
		return "nobody"
	}
	return s
}
