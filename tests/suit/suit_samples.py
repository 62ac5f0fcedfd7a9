"""Published envelopes with their key, and a manifest of our own to build on.

Source: draft-ietf-suit-manifest-34 Appendix B, Examples 0 and 3 with authentication, and the example key (a published
test key, never for anything else).
"""

from __future__ import annotations

from cryptography.hazmat.primitives.asymmetric import ec

from rootwright.cose.keys import P256PrivateKeySigner, P256PublicKey
from rootwright.suit import numbers
from rootwright.suit.digest import compute
from rootwright.suit.identifiers import class_identifier, vendor_identifier
from rootwright.suit.structures import (
    ComponentIdentifier,
    ConditionCommand,
    DirectiveCommand,
    LanguageText,
    Manifest,
    OverrideParameters,
    Text,
)

KEY = P256PublicKey(
    bytes.fromhex(
        "048496811aae0baaabd26157189eecda26beaa8bf11b6f3fe6e2b5659c85dbc0ad"
        "3b1f2a4b6c098131c0a36dacd1d78bd381dcdfb09c052db33991db7338b4a896"
    ),
    name="example key",
)
PRIVATE_NUMBER = 0x0296588D909418B339D150420A3612B57FB4F631A69F224FAE90CB4F3FE18973

EXAMPLE_0 = bytes.fromhex(
    "d86ba2025873825824822f58206658ea560262696dd1f13b782239a064da7c6c5cbaf52fded428a6fc83c7e5af584ad28443"
    "a10126a0f65840408d0816f9b510749bf6a51b066951e08a4438f849eb092a1ac768eed9de696c1b1dd35d82ef149e6a73a6"
    "1976ad2cfe78444b8064293350a122f332cb49f0da035871a50101020003585fa202818141000458568614a40150fa6b4a53"
    "d5ad5fdfbe9de663e4d41ffe02501492af1425695e48bf429b2d51f2ab45035824822f582000112233445566778899aabbcc"
    "ddeeff0123456789abcdeffedcba98765432100e1987d0010f020f074382030f0943821702"
)
EXAMPLE_3 = bytes.fromhex(
    "d86ba2025873825824822f5820f6d44a62ec906b392500c242e78e908e9cc5057f3f04104a06a8566200da2ee0584ad28443"
    "a10126a0f658400bbf7058c1a79dff23c7755d36aae5c6cc1aacb818f456e2e03f2664c369b9c6700931a52f1f8d808aa4a8"
    "e5220d479c9661d2bce0a44974004325001e3b1abb0359010fa5010102030358a4a2028181410004589b8814a20150fa6b4a"
    "53d5ad5fdfbe9de663e4d41ffe02501492af1425695e48bf429b2d51f2ab450f8258348614a10500050514a2035824822f58"
    "2000112233445566778899aabbccddeeff0123456789abcdeffedcba98765432100e1987d058368614a10501050514a20358"
    "24822f58200123456789abcdeffedcba987654321000112233445566778899aabbccddeeff0e1a00012c22010f020f074382"
    "030f14585b860f8258288614a10500050514a115781c687474703a2f2f6578616d706c652e636f6d2f66696c65312e62696e"
    "58288614a10501050514a115781c687474703a2f2f6578616d706c652e636f6d2f66696c65322e62696e1502030f"
)
#: Vendor and class of all the examples, and the sample patterns that stand for image digests.
VENDOR = bytes.fromhex("fa6b4a53d5ad5fdfbe9de663e4d41ffe")
CLASS = bytes.fromhex("1492af1425695e48bf429b2d51f2ab45")
DIGEST_1 = bytes.fromhex("00112233445566778899aabbccddeeff0123456789abcdeffedcba9876543210")
DIGEST_2 = bytes.fromhex("0123456789abcdeffedcba987654321000112233445566778899aabbccddeeff")

Condition, Directive, Parameter = numbers.Condition, numbers.Directive, numbers.Parameter

SIGNER = P256PrivateKeySigner(ec.derive_private_key(11, ec.SECP256R1()))
ANCHOR = SIGNER.public(name="author")
OUR_VENDOR = vendor_identifier("alderwater.example")
OUR_CLASS = class_identifier(OUR_VENDOR, "RL-2")
IMAGE = b"the river gauge's application"
APP: ComponentIdentifier = (b"app",)
STAGE: ComponentIdentifier = (b"stage",)

SHARED = (
    OverrideParameters.of(
        {
            Parameter.VENDOR_IDENTIFIER: OUR_VENDOR,
            Parameter.CLASS_IDENTIFIER: OUR_CLASS,
            Parameter.IMAGE_DIGEST: compute(IMAGE),
            Parameter.IMAGE_SIZE: len(IMAGE),
        }
    ),
    ConditionCommand(Condition.VENDOR_IDENTIFIER),
    ConditionCommand(Condition.CLASS_IDENTIFIER),
)
MANIFEST = Manifest(
    sequence_number=7,
    components=(APP,),
    shared=SHARED,
    validate=(ConditionCommand(Condition.IMAGE_MATCH),),
    invoke=(DirectiveCommand(Directive.INVOKE),),
    install=(
        OverrideParameters.of({Parameter.URI: "#app"}),
        DirectiveCommand(Directive.FETCH),
        ConditionCommand(Condition.IMAGE_MATCH),
    ),
    text=Text((LanguageText("en", ((1, "An update."),), ((APP, ((6, "1.4.0"),)),)),)),
)
