package house

// Certificates are what the household's server shows that it is the household's:
// an authority that the household's devices trust, and a certificate of the server
// that the authority signed.
type Certificates struct {
	Authority Certificate `json:"authority"`
	Server    Certificate `json:"server"`
	Names     []string    `json:"names"` // host names and addresses asked for, besides those found
}

// A Certificate is one of RFC 5280 with its private key.
type Certificate struct {
	DER []byte `json:"der"`
	Key []byte `json:"key"` // PKCS #8 (RFC 5208), a secret
}
