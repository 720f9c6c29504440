package main

import (
	"bufio"
	"crypto/rand"
	"encoding/base32"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"nextprobe/internal/shop"
)

func userCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "user", Short: "People who sign in on the pages", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			return usageError{errors.New("user: say add, password or disable")}
		}}
	cmd.AddCommand(userAddCommand(), userPasswordCommand(), userDisableCommand())
	return cmd
}

func userAddCommand() *cobra.Command {
	var slug, login, name, role string
	var fromStdin, asJSON bool
	cmd := &cobra.Command{Use: "add --login NAME --role ROLE", Short: "Add a user; prints a password unless one is piped in", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if name == "" {
				name = login
			}
			return withShop(cmd, slug, func(svc *shop.Service, owner shop.Actor) error {
				pw, made, err := password(cmd, fromStdin)
				if err != nil {
					return err
				}
				u, err := svc.AddUser(cmd.Context(), owner, login, name, shop.Role(role), pw)
				if err != nil {
					return err
				}
				return printSecret(cmd, asJSON, made, map[string]string{"login": u.Login, "role": string(u.Role), "password": pw}, fmt.Sprintf("User %s (%s) added", u.Login, u.Role))
			})
		}}
	cmd.Flags().StringVar(&slug, "shop", defaultShop, "shop")
	cmd.Flags().StringVar(&login, "login", "", "name to sign in with")
	cmd.Flags().StringVar(&name, "name", "", "name shown in the log (default: the login)")
	cmd.Flags().StringVar(&role, "role", "", "owner, technician or counter")
	cmd.Flags().BoolVar(&fromStdin, "password-stdin", false, "read the password from standard input")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return require(cmd, "login", "role")
}

func userPasswordCommand() *cobra.Command {
	var slug, login string
	var fromStdin, asJSON bool
	cmd := &cobra.Command{Use: "password --login NAME", Short: "Set a new password; prints one unless it is piped in", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withShop(cmd, slug, func(svc *shop.Service, owner shop.Actor) error {
				pw, made, err := password(cmd, fromStdin)
				if err != nil {
					return err
				}
				if err := svc.SetPassword(cmd.Context(), owner, login, pw); err != nil {
					return err
				}
				return printSecret(cmd, asJSON, made, map[string]string{"login": login, "password": pw}, "Password of "+login+" set")
			})
		}}
	cmd.Flags().StringVar(&slug, "shop", defaultShop, "shop")
	cmd.Flags().StringVar(&login, "login", "", "name to sign in with")
	cmd.Flags().BoolVar(&fromStdin, "password-stdin", false, "read the password from standard input")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return require(cmd, "login")
}

func userDisableCommand() *cobra.Command {
	var slug, login string
	cmd := &cobra.Command{Use: "disable --login NAME", Short: "Stop a user from signing in", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withShop(cmd, slug, func(svc *shop.Service, owner shop.Actor) error {
				return svc.DisableUser(cmd.Context(), owner, login)
			})
		}}
	cmd.Flags().StringVar(&slug, "shop", defaultShop, "shop")
	cmd.Flags().StringVar(&login, "login", "", "name to sign in with")
	return require(cmd, "login")
}

func tokenCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "token", Short: "Bearer tokens for the REST service", Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return usageError{errors.New("token: say add or revoke")} }}
	cmd.AddCommand(tokenAddCommand(), tokenRevokeCommand())
	return cmd
}

func tokenAddCommand() *cobra.Command {
	var slug, name, role string
	var asJSON bool
	cmd := &cobra.Command{Use: "add --role ROLE --name NAME", Short: "Make a token and print it alone on one line", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withShop(cmd, slug, func(svc *shop.Service, owner shop.Actor) error {
				t, secret, err := svc.AddToken(cmd.Context(), owner, name, shop.Role(role))
				if err != nil {
					return err
				}
				if asJSON {
					return json.NewEncoder(cmd.OutOrStdout()).Encode(map[string]string{"name": t.Name, "role": string(t.Role), "token": secret})
				}
				_, err = fmt.Fprintln(cmd.OutOrStdout(), secret)
				return err
			})
		}}
	cmd.Flags().StringVar(&slug, "shop", defaultShop, "shop")
	cmd.Flags().StringVar(&role, "role", "", "owner, technician or counter")
	cmd.Flags().StringVar(&name, "name", "", "what the token is for")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return require(cmd, "role", "name")
}

func tokenRevokeCommand() *cobra.Command {
	var slug, name string
	cmd := &cobra.Command{Use: "revoke --name NAME", Short: "Revoke a token", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return withShop(cmd, slug, func(svc *shop.Service, owner shop.Actor) error {
				return svc.RevokeToken(cmd.Context(), owner, name)
			})
		}}
	cmd.Flags().StringVar(&slug, "shop", defaultShop, "shop")
	cmd.Flags().StringVar(&name, "name", "", "the token's name")
	return require(cmd, "name")
}

// withShop runs do on a shop, beside a running server if there is one.
func withShop(cmd *cobra.Command, slug string, do func(*shop.Service, shop.Actor) error) error {
	a, err := openApp(cmd.Context(), cmd, beside)
	if err != nil {
		return err
	}
	defer a.close()
	svc, owner, err := a.shopActor(cmd.Context(), slug)
	if err != nil {
		return err
	}
	return do(svc, owner)
}

func require(cmd *cobra.Command, flags ...string) *cobra.Command {
	for _, f := range flags {
		if err := cmd.MarkFlagRequired(f); err != nil {
			panic(err) // only when the flag is not declared above
		}
	}
	return cmd
}

// password reads one line from standard input, or makes a password.
func password(cmd *cobra.Command, fromStdin bool) (pw string, made bool, err error) {
	if !fromStdin {
		b := make([]byte, 12)
		if _, err := rand.Read(b); err != nil {
			return "", false, err
		}
		return strings.ToLower(base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString(b)), true, nil
	}
	line, err := bufio.NewReader(cmd.InOrStdin()).ReadString('\n')
	if line = strings.TrimRight(line, "\r\n"); line == "" {
		return "", false, usageError{fmt.Errorf("--password-stdin: no password on standard input: %w", err)}
	}
	return line, false, nil
}

// printSecret prints the answer; a password only when the command made it.
func printSecret(cmd *cobra.Command, asJSON, made bool, values map[string]string, sentence string) error {
	if !made {
		delete(values, "password")
	}
	if asJSON {
		return json.NewEncoder(cmd.OutOrStdout()).Encode(values)
	}
	if made {
		sentence += ", password " + values["password"]
	}
	_, err := fmt.Fprintln(cmd.OutOrStdout(), sentence+".")
	return err
}
