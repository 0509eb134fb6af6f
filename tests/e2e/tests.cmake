unit_test(e2e_chain_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/chain_test.c LINKS harness client)
