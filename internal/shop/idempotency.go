package shop

import (
	"context"
	"crypto/sha256"
)

// ClaimKey takes an Idempotency-Key for a request of a, told apart from others
// by its fingerprint (the actor is added here, so that one person's key never
// answers another). It returns the stored answer when the same request was
// answered before, nil when the caller should go on and SettleKey, and Conflict
// when the key was used for another request or that request is still running.
func (s *Service) ClaimKey(ctx context.Context, a Actor, key string, fingerprint []byte) (*Replay, error) {
	h := sha256.New()
	h.Write(a.ID[:])
	h.Write(fingerprint)
	return s.store.Claim(ctx, a.ShopID, key, h.Sum(nil), s.time())
}

// SettleKey stores the answer under a claimed key; nil releases the key because
// the request failed and changed nothing.
func (s *Service) SettleKey(ctx context.Context, a Actor, key string, r *Replay) error {
	return s.store.Settle(ctx, a.ShopID, key, r)
}
